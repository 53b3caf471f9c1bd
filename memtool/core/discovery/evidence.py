"""How much each image adds, and how many matches chance alone would make.

Facts
-----
- An image adds evidence for a block only where its stored number does not follow from the
  others'. Other content alone is not enough: where a block inside carries its own CRC of
  the same polynomial, or digits were permuted under a sum, contents differ and the number
  does not, and every block around them would seem proved by all images.
- CRCs are linear: of four images whose contents make x ⊕ y ⊕ z ⊕ w = 0 the last one
  matches by itself. The number of independent images is the rank of the differences of
  the stored numbers plus one; up to three images it is the number of different ones.
- A block of one repeated byte, erased or never written, proves nothing: sums stand still
  over zeros, registers too, and start values of all ones cancel as many erased bytes. Only
  a CRC right behind a block longer than itself counts, if it is not one repeated byte too.
- A field of two bytes or more that has no other bytes than 00 and FF proves nothing either:
  a 16-bit checksum is like that in one image of 2^14, erased space and its borders always.
- XOR depends on nothing but which bytes come an odd number of times: what is there twice,
  or once plain and once inverted, cancels and proves nothing (`Sum.content`).
- The value of a block shorter than its own checksum, than two of them for a sum, is hardly
  mixed: in tables of small numbers it fits too often. It counts in proportion to its length.
- Chance makes a pair of start and end with e different contents, block and field together,
  match in all of them with 2^(-width·e).
- Thresholds: as the start moves down from a fixed end, contents only fall apart. For each
  end and each r there is one number: starts below it have at least r contents.
- Where there are more than eight images, eight that differ most are counted: counting
  less evidence than there is errs on the safe side.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Places = NDArray[np.int32]
Levels = NDArray[np.uint16]
"""How many different numbers the images have, for each place."""

MOST_COUNTED = 8
MIXED_SUM = 2
"""A sum over fewer bytes than so many of its own numbers is hardly mixed."""
_CHUNK = 1 << 16


class Chance:
    """Expected chance matches, by tier and by the bits of evidence they would show.

    Tiers order placements from the most natural one. A block's expectation counts its own
    tier and those before it: looking into unlikely places as well takes nothing from what
    was found in the likely ones.
    """

    def __init__(self) -> None:
        """Start with nothing tried."""
        self._by_bits: dict[tuple[int, float], float] = defaultdict(float)

    def add(self, bits: float, expected: float, *, tier: int = 0) -> None:
        """Count what was tried: it makes `expected` matches with so much evidence."""
        if expected > 0:
            self._by_bits[tier, bits] += expected

    def take(self, other: Chance) -> None:
        """Count what was tried elsewhere as well."""
        for key, expected in other._by_bits.items():
            self._by_bits[key] += expected

    def expected(self, bits: float, *, tier: int) -> float:
        """Matches by chance with at least so many bits of evidence, up to a tier."""
        return sum(
            value
            for (place, key), value in self._by_bits.items()
            # Bits are sums of floats: the same evidence may differ in its last digit.
            if place <= tier and key >= bits - 1e-9
        )

    @property
    def total(self) -> float:
        """Matches by chance of any evidence, anywhere."""
        return sum(self._by_bits.values())


def choose_counted(images: Bytes) -> tuple[int, ...]:
    """Rows that evidence is counted on: distinct ones, at most eight, most different first."""
    distinct: dict[bytes, int] = {}
    for row, image in enumerate(images):
        distinct.setdefault(image.tobytes(), row)
    rows = list(distinct.values())
    if len(rows) <= MOST_COUNTED:
        return tuple(rows)
    chosen = [rows[0]]
    # Farthest point first: each one taken is the one least like all those before it.
    distance = np.full(len(rows), images.shape[1] + 1)
    while len(chosen) < MOST_COUNTED:
        last = images[chosen[-1]]
        distance = np.minimum(distance, [int((images[row] != last).sum()) for row in rows])
        chosen.append(rows[int(distance.argmax())])
    return tuple(chosen)


def independent_rows(numbers: Sequence[int | None], *, linear: bool) -> tuple[int, ...]:
    """The places of numbers that do not follow from those before them; None never counts.

    Args:
        numbers: What is stored, one for each image.
        linear: Also leave out what is the exclusive-or of an odd number of others.
    """
    base: int | None = None
    basis: dict[int, int] = {}
    seen: set[int] = set()
    adding: list[int] = []
    for place, number in enumerate(numbers):
        if number is None or number in seen:
            continue
        seen.add(number)
        base = number if base is None else base
        # Differences, not numbers: start value and final XOR are in all of them and cancel.
        rest = number ^ base
        # Gaussian elimination over GF(2): the highest bit says which row to take away.
        while linear and rest and rest.bit_length() in basis:
            rest ^= basis[rest.bit_length()]
        # The first number differs by nothing from itself, and counts.
        if rest or not adding:
            basis[rest.bit_length()] = rest
            adding.append(place)
    return tuple(adding)


def proves_nothing(block: bytes, field: bytes, *, strict: bool) -> bool:
    """Whether a block is erased or never written, and its field shows no more than that.

    Args:
        block: What is covered.
        field: The stored number; empty where it does not matter.
        strict: The field does not matter: for sums, and for fields that lie elsewhere.
    """
    if len(field) > 1 and is_erased(field):
        return True
    if block.count(block[:1]) != len(block):
        return False
    return strict or field.count(field[:1]) == len(field) or len(block) <= len(field)


def is_erased(field: bytes) -> bool:
    """Whether it has no other bytes than 00 and FF."""
    return field.count(0x00) + field.count(0xFF) == len(field)


def run_starts(image: Bytes) -> Places:
    """For each end, where the run of equal bytes before it starts."""
    size = len(image)
    starts = np.zeros(size + 1, np.int32)
    # The offset itself where a new run begins; its running maximum is where the run began.
    changes = np.where(image[1:] != image[:-1], np.arange(1, size, dtype=np.int32), 0)
    np.maximum.accumulate(changes, out=starts[2:])
    return starts


def start_limits(image: Bytes, length: int, *, strict: bool) -> Places:
    """For each end of a field of `length` bytes, the starts below which a block counts.

    `proves_nothing` for all starts at once. `length` 0: the field lies elsewhere.
    """
    runs = run_starts(image)
    if not length:
        return runs
    limits = np.zeros_like(runs)
    ends = np.arange(len(image) - length + 1, dtype=np.int32)
    limits[length:] = runs[: len(ends)]
    if not strict:
        # The last run begins inside the field, so the field is not one repeated byte.
        varied = runs[length:] > ends
        np.maximum(limits[length:], np.where(varied, ends - length, 0), out=limits[length:])
    if length > 1:
        blank = np.zeros(len(image) + 1, np.int32)
        np.cumsum((image == 0x00) | (image == 0xFF), out=blank[1:])
        # All bytes of the field are 00 or FF: no start counts.
        limits[length:][blank[length:] - blank[: len(ends)] == length] = 0
    return limits


def content_thresholds(images: Bytes, limits: Sequence[Places]) -> Places:
    """For each end, the starts below which there are at least 1, 2, … contents.

    Args:
        images: Shape (k, n).
        limits: `start_limits` of each image.

    Returns:
        Shape (k, n + 1): row r - 1 has the threshold for r contents.
    """
    count, size = images.shape
    # Contents are classes of images that agree. Moving the start down only splits them, so the r-th
    # split is the r-th largest edge of a spanning tree over where pairs part.
    found = np.zeros((count, size + 1), np.int32)
    places = np.arange(1, size + 1, dtype=np.int32)
    # Node 0 stands for "proves nothing"; apart[x, y] is the start below which x and y differ.
    apart: dict[tuple[int, int], Places] = {}
    for row in range(count):
        image = images[row]
        apart[0, row + 1] = limits[row][1:]
        for other in range(row):
            differs = np.where(image != images[other], places, 0)
            apart[other + 1, row + 1] = np.maximum.accumulate(differs)
    # In pieces: the matrix of all pairs over a whole image would not fit into memory.
    for begin in range(0, size, _CHUNK):
        end = min(begin + _CHUNK, size)
        cut = {pair: values[begin:end] for pair, values in apart.items()}
        found[:, begin + 1 : end + 1] = _separations(cut, count + 1)
    return found


def _separations(apart: dict[tuple[int, int], Places], nodes: int) -> Places:
    """Edges of the minimum spanning tree in each column, largest first (Prim's method)."""
    columns = np.arange(len(next(iter(apart.values()))))
    if nodes == 2:
        return apart[0, 1][np.newaxis]
    matrix = np.zeros((nodes, nodes, len(columns)), np.int32)
    for (one, two), values in apart.items():
        matrix[one, two] = matrix[two, one] = values
    far = np.int32(np.iinfo(np.int32).max)
    distance = matrix[0].copy()
    # A node taken is as far as can be, so that `argmin` never takes it again.
    distance[0] = far
    edges = np.empty((nodes - 1, len(columns)), np.int32)
    used = np.zeros((nodes, len(columns)), bool)
    used[0] = True
    for step in range(nodes - 1):
        nearest = distance.argmin(axis=0)
        edges[step] = distance[nearest, columns]
        used[nearest, columns] = True
        distance = np.minimum(distance, matrix[nearest, :, columns].T)
        distance[used] = far
    edges.sort(axis=0)
    return edges[::-1]


def expected_by_level(
    thresholds: Places,
    ends: NDArray[np.int64],
    limits: NDArray[np.int64],
    levels: Levels,
    bits: float,
) -> list[float]:
    """Chance matches of blocks with 1, 2, … different stored numbers.

    Args:
        thresholds: Those of `content_thresholds`.
        ends: Where each content ends.
        limits: Starts must be below this, for each end.
        levels: How many different stored numbers each end has.
        bits: Of one match.
    """
    mass = np.zeros(len(ends))
    here = np.minimum(thresholds[0][ends], limits)
    for contents in range(1, len(thresholds) + 1):
        # Starts with at least so many contents. Less those with more: those with exactly so many.
        last = contents == len(thresholds)
        more = np.zeros_like(here) if last else np.minimum(thresholds[contents][ends], limits)
        mass += (here - more) * 2.0 ** (-bits * contents)
        here = more
    counted = np.minimum(levels, len(thresholds))
    return [float(mass[counted == level].sum()) for level in range(1, len(thresholds) + 1)]


def are_told(levels: Levels, most: int, drowned: Sequence[int]) -> NDArray[np.bool_]:
    """Which ends do not have one of the drowned numbers of contents; `most` or more are one."""
    told = np.ones(most + 1, bool)
    told[list(drowned)] = False
    found: NDArray[np.bool_] = told[np.minimum(levels, most)]
    return found


def count_pairs(
    thresholds: Places, ends: NDArray[np.int64], limits: NDArray[np.int64], floor: int = 0
) -> list[int]:
    """How many (start, end) pairs have exactly 1, 2, … contents; starts from `floor` on."""
    at_least = [
        int(np.maximum(np.minimum(row[ends], limits) - floor, 0).sum(dtype=np.int64))
        for row in thresholds
    ]
    return [here - more for here, more in zip(at_least, [*at_least[1:], 0], strict=True)]


def expected_other_starts(
    images: Bytes, thresholds: Places, start: int, last: int, bits: float, models: int
) -> float:
    """How many other starts would fit by chance, given that the end is right.

    Two starts are told apart by what lies between them alone.

    Args:
        images: The counted rows.
        thresholds: Their `content_thresholds`.
        start: The start found.
        last: Starts must be below this.
        bits: Of the checksum.
        models: Algorithms that share the end, and so try every start.
    """
    lower = [min(int(row[start]), start) for row in thresholds]
    # Every start below is another start, even where what lies between proves nothing.
    lower[0] = start
    upper = _upward_counts(images, start, last)
    total = 0.0
    for counts in (lower, upper):
        for contents, (here, more) in enumerate(zip(counts, [*counts[1:], 0], strict=True), 1):
            total += (here - more) * 2.0 ** (-bits * contents)
    return total * models


def _upward_counts(images: Bytes, start: int, last: int) -> list[int]:
    """Starts above `start` and below `last` that at least 1, 2, … contents tell apart."""
    count, room = len(images), max(0, last - 1 - start)
    if room == 0:
        return [0] * count
    # A start `d` above is told apart by r contents once d reaches the r-th first difference.
    first: dict[tuple[int, int], Places] = {}
    reach = room + 1
    for row in range(count):
        for other in range(row):
            differs = images[row, start : start + room] != images[other, start : start + room]
            place = int(differs.argmax()) if differs.any() else room
            # Separations fall with distance here, so turn them round.
            first[other, row] = np.array([reach - place], np.int32)
    if count == 1:
        return [room]
    # Here no node stands for "proves nothing", so there is one edge fewer than contents.
    edges = _separations(first, count)[:, 0]
    return [room, *(max(0, int(edge) - 1) for edge in edges)]
