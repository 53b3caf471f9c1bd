"""Which ends of a block are worth trying for a number at a fixed place, by differences alone.

A fixed place asks every end, and there are hundreds of places. But between two images the
difference of their equations has no constants in it, and both its sides stand still wherever
the images agree: there are only as many starts and ends to tell apart as bytes that differ.

Facts
-----
- CRC: with D the XOR of two images' prefix sides and Δc that of their numbers, the block
  ``[i, j)`` needs A^(-j)·Δc = D_i ⊕ D_j. A^(-j) is a multiplication by a power of x, so with a
  third image Δc·D'_i ⊕ Δc'·D_i = Δc·D'_j ⊕ Δc'·D_j: the power is gone, and classes of starts
  and ends meet in equal numbers. The few pairs that are left are tried at each of their ends.
- That is necessary, not sufficient. What is left is joined in full.
- Sums have no power of x, and an equation of their own: `sum_drifts`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from memtool.core.discovery.area import Area
from memtool.core.discovery.classes import Indexes, KeyTable, in_order
from memtool.core.discovery.crc_drifts import CrcDrifts
from memtool.core.discovery.fixed_fields import FixedFields, Numbers
from memtool.core.discovery.register_algebra import RegisterAlgebra, Registers

_BATCH = 1 << 16
"""Products, or ends, worked on at a time."""
_TOGETHER = 1 << 14
"""So many ends are joined as fast together as in parts."""
_LOOKED_UP = 1 << 18
"""The same for ends that are only looked up in a table."""
_FEW_BORDERS = 4
"""Where more than one byte in so many differs, every end is as cheap as every border."""
_FEW_ENDS = 1 << 22
"""So few ends, of all places together, are always as cheap."""
_LARGE = 1 << 14
"""In smaller areas many places are cheaper together than one by one."""
_MOST_EQUAL = 64
"""Where more classes than these have one number, differences repeat, and every end is tried."""


@dataclass(frozen=True, slots=True, eq=False)
class EndsToTry:
    """Some ends, each with the place of its number among the fields given, in their order.

    Of one place they ascend; for sums of words, those of one parity do.
    """

    places: Indexes
    ends: Indexes
    starts: Indexes | None = None
    """All that one of the ends may have, ascending; None where nothing is known of them."""


def crc_ends(
    drifts: CrcDrifts,
    area: Area,
    prefixes: Sequence[Registers],
    fields: FixedFields,
    numbers: Numbers,
) -> Iterator[EndsToTry]:
    """The ends that the differences of three images leave, or of two where no more tell.

    Args:
        drifts: Of the CRC's polynomial.
        area: Where to look.
        prefixes: The prefix sides of each image.
        fields: The places.
        numbers: Those of each image (row) at each of the places, in one order of their bytes after
            the other.

    Returns:
        Places are columns of `numbers`.
    """
    firsts = np.arange(0, numbers.shape[1], len(fields))[:, np.newaxis]
    groups = [(images, (firsts + places).ravel()) for images, places in fields.by_images.items()]
    found = _ends_of(drifts, area, prefixes, numbers, groups)
    return _gathered(found) if area.size < _LARGE else found


def _gathered(batches: Iterable[EndsToTry]) -> Iterator[EndsToTry]:
    """The same, small batches put together by place: a join of few takes as long as of many."""
    waiting: list[EndsToTry] = []
    count = 0
    for some in batches:
        if some.starts is not None or len(some.ends) > _TOGETHER:
            yield some
            continue
        waiting.append(some)
        count += len(some.ends)
        if count > _TOGETHER:
            yield _joined(waiting)
            waiting, count = [], 0
    if waiting:
        yield _joined(waiting)


def _joined(batches: Sequence[EndsToTry]) -> EndsToTry:
    places, ends = (
        np.concatenate(each)
        for each in zip(*((some.places, some.ends) for some in batches), strict=True)
    )
    if (places[1:] < places[:-1]).any():
        turns, _ = in_order(places.view(np.uint64))
        places, ends = places[turns], ends[turns]
    return EndsToTry(places, ends)


def _ends_of(
    drifts: CrcDrifts,
    area: Area,
    prefixes: Sequence[Registers],
    numbers: Numbers,
    groups: Sequence[tuple[tuple[int, ...], Indexes]],
) -> Iterator[EndsToTry]:
    """The same of places by the first images whose numbers differ there.

    Args:
        drifts: As there.
        area: As there.
        prefixes: As there.
        numbers: Those of each image (row) at each place.
        groups: Images, and their places.
    """
    many_borders = _FEW_BORDERS * len(area.differing) > area.size
    count = sum(len(places) for _, places in groups) * area.size
    every = many_borders or (area.size < _LARGE and count <= _FEW_ENDS)
    together: list[tuple[tuple[int, ...], Indexes]] = []
    for images, places in groups:
        # Images whose numbers differ tell more, so they are the first ones.
        rest = tuple(image for image in drifts.all_images if image not in images)
        chosen = drifts.enough(images + rest)
        if len(images) == 1 or (many_borders and not drifts.tells(chosen)):
            yield from every_end(area, places)
        elif every and area.size >= _LARGE:
            yield from _ends_by_drifts(drifts, area, numbers[:, places], chosen, places)
        elif every:
            together.append((chosen, places))
        elif len(images) == 2 and not (rest and area.is_apart):
            together.append((images, places))
        else:
            # Of images that differ everywhere a third one tells, though its number is no other.
            three = (*images, *rest)[:3]
            own = numbers[:, places]
            yield from _ends_by_three(drifts.algebra, area, prefixes, own, three, places)
    # Of a large area what is known of one choice of images is all that memory has room for.
    for some in [together] if area.size < _LARGE else [[each] for each in together]:
        if some:
            yield from _ends_together(drifts, area, numbers, some)


def every_end(area: Area, places: Indexes) -> Iterator[EndsToTry]:
    """All of them, place by place."""
    everywhere = np.arange(1, area.size + 1)
    for place in places:
        yield EndsToTry(np.full(area.size, place), everywhere)


def _ends_by_drifts(
    drifts: CrcDrifts, area: Area, stored: Numbers, images: tuple[int, ...], places: Indexes
) -> Iterator[EndsToTry]:
    """Every end of every place is asked for its start, image less image, place by place."""
    _, classes = drifts.between(images)
    for column, place in enumerate(places):
        # No block ends at 0: hence the + 1 below.
        wanted = drifts.of_number(images, stored[:, column])[1:]
        starts, hits = classes.meeting(wanted)
        if 2 * len(hits) > area.size:
            yield from every_end(area, places[column : column + 1])
        elif len(hits):
            yield EndsToTry(np.full(len(hits), place), hits + 1, starts)


def _ends_together(
    drifts: CrcDrifts,
    area: Area,
    numbers: Numbers,
    groups: Sequence[tuple[tuple[int, ...], Indexes]],
) -> Iterator[EndsToTry]:
    """The same of many places at once, each with images of its own; see `_ends_of`."""
    places = np.concatenate([own for _, own in groups])
    group_of = np.repeat(np.arange(len(groups)), [len(own) for _, own in groups])
    # For each image of a group but the first one how far its numbers lie from that one's.
    gone = np.zeros((max(len(images) for images, _ in groups) - 1, len(places)), np.uint64)
    for group, (images, own) in enumerate(groups):
        for turn, image in enumerate(images[1:]):
            gone[turn, group_of == group] = numbers[image, own] ^ numbers[images[0], own]
    choices = drifts.of_choices(tuple(images for images, _ in groups))
    step = max(1, _LOOKED_UP // area.size)
    for begin in range(0, len(places), step):
        part = slice(begin, begin + step)
        rows, ends = choices.find_ends(gone[:, part], group_of[part])
        # Of none there is still one: whoever asks may have waited long.
        yield EndsToTry(places[part][rows], ends)


def _ends_by_three(
    algebra: RegisterAlgebra,
    area: Area,
    prefixes: Sequence[Registers],
    stored: Numbers,
    images: tuple[int, ...],
    places: Indexes,
) -> Iterator[EndsToTry]:
    """Pairs of classes by the equation without a power, then each end of the later class."""
    # Between two borders the images agree and D stands still: one start or end stands for all.
    borders = np.concatenate([[0], area.differing + 1])
    # n²/2 pairs of classes, each equal by chance once in 2^width.
    if len(borders) ** 2 >> algebra.width + 1 > area.size:
        # Chance alone makes more pairs of classes than there are ends.
        yield from every_end(area, places)
        return
    first, second = (
        prefixes[images[0]][borders] ^ prefixes[image][borders] for image in images[1:]
    )
    own, others = (stored[images[0]] ^ stored[image] for image in images[1:])
    step = max(1, _BATCH // len(borders))
    for begin in range(0, len(places), step):
        part = slice(begin, begin + step)
        # Δc·D' ⊕ Δc'·D of each place (row) at each border (column); see Facts.
        sides = algebra.products(own[part], second) ^ algebra.products(others[part], first)
        rows, low, high, crowded = _equal_pairs(sides)
        # Too many pairs to list are no longer few: those places are tried at every end.
        yield from every_end(area, places[begin + crowded])
        # The class of an end goes on to the next border.
        stops = np.append(borders[1:], area.size + 1)[high]
        found = _ends_in_runs(
            algebra, own[part][rows], first[low] ^ first[high], borders[high], stops
        )
        if len(found):
            # Two earlier classes may allow the same end: it is joined once.
            pairs = np.unique(np.stack([rows[found[:, 0]], found[:, 1]]), axis=1)
            yield EndsToTry(places[begin + pairs[0]], pairs[1])


def _ends_in_runs(
    algebra: RegisterAlgebra, numbers: Numbers, wanted: Numbers, begins: Indexes, stops: Indexes
) -> Indexes:
    """The ends j, each of a run of neighbours, with A^(-j)·number = what is wanted: the equation
    with its power, which no class can answer.

    Returns:
        A row each: which run, and the end.
    """
    lengths = stops - begins
    moved = algebra.back_each(numbers, begins)
    found = [np.zeros((0, 2), np.int64)]
    # Runs of about one length together: a sequence takes one map an end.
    powers = np.ceil(np.log2(lengths)).astype(np.int64)
    for power in np.unique(powers):
        alike = np.flatnonzero(powers == power)
        step = max(1, _BATCH >> power)
        for first in range(0, len(alike), step):
            runs = alike[first : first + step]
            # Not `back_sequences`: it makes rows for each length that is asked for.
            ends = algebra.back_strides(moved[runs], int(lengths[runs].max()))
            which, steps = np.nonzero(ends == wanted[runs, np.newaxis])
            which = runs[which]
            inside = steps < lengths[which]
            found.append(np.stack([which, begins[which] + steps], axis=1)[inside])
    return np.concatenate(found)


def _equal_pairs(sides: Registers) -> tuple[Indexes, Indexes, Indexes, Indexes]:
    """Row, earlier and later column of equal numbers in a row; and the rows with too many."""
    # Half as wide they are sorted in half the time; now and then two that differ meet.
    folded = (sides ^ sides >> np.uint64(32)).astype(np.uint32)
    ordered = np.sort(folded, axis=1)
    again = ordered[:, 1:] == ordered[:, :-1]
    found: list[tuple[Indexes, Indexes, Indexes]] = []
    crowded: list[int] = []
    # Most rows have no equal numbers, and need not be put in order.
    for row in np.flatnonzero(again.any(axis=1)):
        columns = _columns_with(ordered[row, 1:][again[row]], folded[row])
        chosen = sides[row, columns]
        turns = np.argsort(chosen)
        numbers, columns = chosen[turns], columns[turns]
        pairs: list[tuple[Indexes, Indexes]] = []
        # Equal numbers are neighbours now: lag 1 gives each with the next, lag 2 with the next but
        # one, until no run is as long.
        for lag in range(1, min(_MOST_EQUAL, sides.shape[1])):
            places = np.flatnonzero(numbers[lag:] == numbers[:-lag])
            if not len(places):
                break
            one, other = columns[places], columns[places + lag]
            pairs.append((np.minimum(one, other), np.maximum(one, other)))
        else:
            crowded.append(int(row))
            continue
        found += [(np.full(len(low), row), low, high) for low, high in pairs]
    rows, low, high = (
        np.concatenate([np.zeros(0, np.int64), *(each[part] for each in found)])
        for part in range(3)
    )
    return rows, low, high, np.array(crowded, np.int64)


def _columns_with(wanted: NDArray[np.uint32], numbers: NDArray[np.uint32]) -> Indexes:
    """Where one of `wanted` may be, and little else."""
    if len(wanted) * 8 > len(numbers):
        return np.arange(len(numbers))
    table = KeyTable(wanted.astype(np.uint64), len(numbers))
    return np.flatnonzero(table.may_have(numbers.astype(np.uint64)))
