"""Keeps the best of what the searches find, and counts the rest."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from memtool.core.checksums.sums import ByteOrder
from memtool.core.discovery.area import Area
from memtool.core.discovery.classes import Indexes, Matches
from memtool.core.discovery.evidence import Chance, Levels
from memtool.core.discovery.results import Equivalent, Placement
from memtool.core.span import Span

_RUNS_KEPT = 32
_ERASED = 6
"""Marks that a field of one repeated byte loses."""
DROWNED_ANYWHERE = 10_000.0
"""Where chance makes more blocks of one width than this, no list of them helps."""
_LARGE = 1 << 14
"""Bytes from which on an area is large."""
_SHORT = 8
"""A block of fewer bytes is hardly one."""


@dataclass(frozen=True, slots=True)
class NumberOrder:
    """How the bytes of a stored number lie."""

    byte_order: ByteOrder | None
    word_swapped: bool
    significance: tuple[int, ...]
    """For each byte of the field its place in the number, 0 the lowest."""

    def number(self, stored: bytes) -> int:
        """The number that a field holds."""
        return sum(
            byte << (8 * place) for byte, place in zip(stored, self.significance, strict=True)
        )


def number_orders(length: int, *, word_swapped: bool = True) -> tuple[NumberOrder, ...]:
    """All orders that a number of `length` bytes is looked for in."""
    if length == 1:
        return (NumberOrder(None, False, (0,)),)
    little = tuple(range(length))
    orders = [NumberOrder("big", False, little[::-1]), NumberOrder("little", False, little)]
    if length == 4 and word_swapped:
        orders += [
            # Significance by place: the low word comes first, each word's high byte first.
            NumberOrder("big", True, (1, 0, 3, 2)),
            NumberOrder("little", True, (2, 3, 0, 1)),
        ]
    return tuple(orders)


def order_batches(orders: Sequence[NumberOrder], area: Area) -> Iterator[Sequence[NumberOrder]]:
    """The orders that are searched together: all in a small area, where a step's call takes longer
    than its work; in a large one each by itself, since memory has no room for more."""
    step = len(orders) if area.size < _LARGE else 1
    for begin in range(0, len(orders), step):
        yield orders[begin : begin + step]


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """What one search looked for."""

    algorithms: tuple[str, ...]
    """One for each model of a start."""
    order: NumberOrder
    placement: Placement
    length: int
    """Bytes of the field."""
    bits: tuple[float, ...]
    """Evidence of 1, 2, … different stored numbers; for totals, contents."""
    together: bool
    """The field follows the block, and block and field are one content."""
    linear: bool
    """A CRC: what is the exclusive-or of other images' numbers adds nothing."""
    bits_of_copies: tuple[float, ...] | None = None
    """The same where few bytes of the block differ between the images; None: no less."""
    total: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ends:
    """The ends that one search asked the starts about."""

    search: Search
    positions: Indexes
    """Where the block ends."""
    fields: Indexes
    """Where the field starts."""
    levels: Levels
    """How many different stored numbers the images have there; for totals, contents."""


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """One shortest block, not yet confirmed."""

    search: Search
    area: Area
    algorithm: str
    start: int
    end: int
    field: int
    stored: tuple[bytes, ...] | None
    """Of a field outside of the area."""
    contents: int
    marks: int
    equivalents: tuple[Equivalent, ...]
    last_start: int
    """Starts below this were tried for the end."""

    @property
    def rank(self) -> tuple[float, int, bool, int, int, int, int]:
        """Sorts the best one first; of equal evidence, the most usual writing and place.

        Of blocks with their number anywhere inside, those with more bytes that differ may
        follow from those with fewer.
        """
        search = self.search
        inside = search.placement is Placement.INSIDE
        unusual = inside + search.order.word_swapped
        return (
            -search.bits[self.contents - 1],
            2 * TIERS[search.placement] + unusual,
            self._is_odd,
            self.area.count_differing(self.start, self.end) if inside else 0,
            -self.marks,
            self.start,
            self.end,
        )

    @property
    def _is_odd(self) -> bool:
        """Whether a number of several bytes lies at an odd address, by itself."""
        apart = self.search.length > 1 and not self.search.together
        return apart and bool((self.area.base + self.field) % 2)


TIERS = {
    Placement.AFTER_BLOCK: 0,
    Placement.INSIDE: 0,
    Placement.GIVEN: 0,
    Placement.IMAGE_END: 1,
    Placement.DIFFERING: 2,
}
"""From the most natural placement to the least; see `Chance`."""


class Collector:
    """The one place that all searches report to."""

    def __init__(self, kept: int) -> None:
        """Keep `kept` candidates of each search."""
        self.chance = Chance()
        self.candidates: list[Candidate] = []
        self.counted = 0
        self.pairs = 0
        self.drowned: dict[tuple[Placement, int], set[int]] = {}
        """What was not searched, since chance would drown any truth: by placement and width in
        bits how many different numbers, or contents, the images have there."""
        self.kept = kept
        """Candidates of each search."""

    def take(self, other: Collector) -> None:
        """Take all that was reported to another one."""
        self.chance.take(other.chance)
        self.candidates += other.candidates
        self.counted += other.counted
        self.pairs += other.pairs
        for (placement, width), levels in other.drowned.items():
            self.leave_out(placement, width, levels)

    def leave_out(self, placement: Placement, width: int, levels: Iterable[int]) -> None:
        """Note what is not searched; see `drowned`."""
        self.drowned.setdefault((placement, width), set()).update(levels)

    def leave_out_drowned(
        self, placement: Placement, width: int, made: Sequence[float]
    ) -> tuple[int, ...]:
        """The numbers of contents at which too much is made by chance, noted as left out.

        Args:
            placement: Where numbers are looked for.
            width: Their bits.
            made: Blocks that chance makes of 1, 2, … contents, of all algorithms of the width.
        """
        levels = tuple(level for level, each in enumerate(made, 1) if each > DROWNED_ANYWHERE)
        if levels:
            self.leave_out(placement, width, levels)
        return levels

    def offer(
        self,
        area: Area,
        ends: Ends,
        matches: Matches | None,
        per_position: int,
        limits: Indexes,
        stored_at: Callable[[int], tuple[bytes, ...]] | None = None,
    ) -> None:
        """Take what one search found."""
        if matches is None:
            return
        self.pairs += matches.tried_pairs
        self.counted += len(matches.starts)
        if not self.kept:
            return
        starts, models = np.divmod(matches.starts, per_position)
        positions, fields = ends.positions[matches.ends], ends.fields[matches.ends]
        contents = _contents(area, ends, matches.ends, starts, positions)
        marks = marks_of(area, ends.search, starts, positions, fields)
        # Marks stay far below 64: contents decide, marks order what has the same.
        score = contents * 64 + marks
        rows: Sequence[int] = range(len(score))
        if len(score) > self.kept:
            # Which ones are best, not in what order: `rank` orders them later.
            rows = [int(row) for row in np.argpartition(-score, self.kept)[: self.kept]]
        for row in rows:
            # Its nearest start lies in what proves nothing, such as erased space.
            if not contents[row]:
                continue
            last = int(limits[matches.ends[row]])
            like, start = matches.starts_like(row), int(starts[row])
            if len(like) > 1:
                positions_of_like, its_models = np.divmod(like, per_position)
                # Of the class only the starts of the same algorithm that this end allows.
                same = (its_models == models[row]) & (positions_of_like < last)
                start = area.most_natural_start(positions_of_like[same])
            self.candidates.append(
                Candidate(
                    search=ends.search,
                    area=area,
                    algorithm=ends.search.algorithms[int(models[row])],
                    start=start,
                    end=int(positions[row]),
                    field=int(fields[row]),
                    stored=None if stored_at is None else stored_at(int(matches.ends[row])),
                    contents=int(contents[row]),
                    marks=int(marks[row]),
                    equivalents=_equivalents(
                        area, ends, matches, row, like, per_position, last, start
                    ),
                    last_start=last,
                )
            )


def _contents(
    area: Area, ends: Ends, rows: Indexes, starts: Indexes, positions: Indexes
) -> NDArray[np.int64]:
    length = ends.search.length if ends.search.together else 0
    contents = area.contents_at(starts, positions + length, length, strict=not ends.search.linear)
    # Contents prove no more than the different numbers stored for them.
    return np.minimum(contents, ends.levels[rows])


def marks_of(
    area: Area, search: Search, starts: Indexes, positions: Indexes, fields: Indexes
) -> NDArray[np.int64]:
    """How plausible a block's place is, from its borders alone."""
    after = positions + (search.length if search.together else 0)
    marks = area.start_marks[starts].astype(np.int64) + area.end_marks[after]
    marks -= 4 * (positions - starts < _SHORT)
    if not search.length:
        return marks
    inside = (fields >= 0) & (fields + search.length <= area.size)
    # A field outside of the area cannot be looked at: offset 0 stands in, and is masked.
    first = np.where(inside, fields, 0)
    erased = inside.copy()
    for image in area.images:
        head = image[first]
        erased &= (head == 0) | (head == 0xFF)
        for step in range(1, search.length):
            erased &= image[np.minimum(first + step, area.size - 1)] == head
    marks[erased] -= _ERASED
    return marks


def _equivalents(
    area: Area,
    ends: Ends,
    matches: Matches,
    row: int,
    like: Indexes,
    per_position: int,
    last: int,
    named: int,
) -> tuple[Equivalent, ...]:
    """The rest of the class: every start that the first end allows, to every end that has
    the row's start as its nearest one."""
    found: list[Equivalent] = []
    ends_like = matches.ends_like(row)
    if len(like) == len(ends_like) == 1:
        # Nothing but the row's own reading.
        return ()
    search, field = ends.search, None
    if search.length and not search.together:
        at = area.base + int(ends.fields[matches.ends[row]])
        field = Span(at, at + search.length)
    own_model = int(matches.starts[row]) % per_position
    starts, models = np.divmod(like, per_position)
    later = area.base + ends.positions[ends_like]
    for model, algorithm in enumerate(search.algorithms):
        addresses = area.base + starts[(models == model) & (starts < last)]
        own = named + area.base if own_model == model else None
        for some_starts, (number, some_ends) in product(
            _few_runs(addresses), enumerate(_few_runs(later))
        ):
            # The row's own reading is counted out once.
            with_own = number == 0 and own in some_starts
            count = len(some_starts) * len(some_ends) - with_own
            if count:
                found.append(as_equivalent(search, algorithm, some_starts, some_ends, count, field))
    return tuple(found)


def _few_runs(addresses: Indexes) -> list[Indexes]:
    """The addresses, even and odd ones apart where together they make too many runs to list.

    Among equal bytes a sum may allow every second address, and somewhere else one of the
    others.
    """
    # Breaks, one fewer than runs; so few addresses have no more of them.
    if len(addresses) <= _RUNS_KEPT or (
        np.count_nonzero(np.diff(addresses) > _step(addresses)) < _RUNS_KEPT
    ):
        return [addresses]
    apart = [addresses[addresses % 2 == parity] for parity in (0, 1)]
    return [some for some in apart if len(some)]


def as_equivalent(
    search: Search,
    algorithm: str,
    starts: Indexes,
    ends: Indexes,
    count: int,
    field: Span | None = None,
) -> Equivalent:
    """`count` readings of a search: from any of some addresses to any of others."""
    steps = _step(starts), _step(ends)
    return Equivalent(
        algorithm=algorithm,
        byte_order=search.order.byte_order,
        word_swapped=search.order.word_swapped,
        total=search.total,
        starts=_runs(starts, steps[0]),
        ends=_runs(ends, steps[1]),
        field=field,
        start_step=steps[0],
        end_step=steps[1],
        count=count,
    )


def _step(addresses: Indexes) -> int:
    """2 where several addresses are all even or all odd: sums of words, or of equal bytes."""
    if len(addresses) == 1 or _is_run(addresses, 1):
        return 1
    return 1 if ((addresses ^ addresses[0]) & 1).any() else 2


def _is_run(addresses: Indexes, step: int) -> bool:
    """Whether no address of those so far apart is missing between ascending ones."""
    return bool(addresses[-1] - addresses[0] == step * (len(addresses) - 1))


def _runs(addresses: Indexes, step: int) -> tuple[Span, ...]:
    """The runs that ascending addresses form, the first ones of them."""
    if _is_run(addresses, step):
        return (Span(int(addresses[0]), int(addresses[-1]) + 1),)
    breaks = np.flatnonzero(addresses[1:] - addresses[:-1] > step)[:_RUNS_KEPT]
    lasts = [*addresses[breaks].tolist(), int(addresses[-1])]
    firsts = [int(addresses[0]), *addresses[breaks + 1].tolist()]
    return tuple(
        Span(first, last + 1) for first, last in zip(firsts[:_RUNS_KEPT], lasts, strict=False)
    )
