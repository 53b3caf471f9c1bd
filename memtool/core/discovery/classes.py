"""Joining starts and ends by equal keys: classes, never pairs.

A start and an end belong together where their keys are equal. All starts of one key are
a class, all ends of one key are a class, and what comes out is one block for each start
that is the nearest one to some end: the shortest way to read the class. All else in the
class follows from those. Time and memory grow with the number of starts and ends alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Keys = NDArray[np.uint64]
Indexes = NDArray[np.int64]

NO_START = np.uint64(2**64 - 1)
_SPREAD = np.uint64(0x9E3779B97F4A7C15)
"""2^64 over the golden ratio: multiplying by it spreads keys over a table's index."""
_ROOM = 4
"""The table of keys has 2^4 places for each start: one end in sixteen passes by mistake."""
_LITTLE_ROOM = 2
_LARGE = 1 << 20
"""Of more starts than these the table has 2^2 places for each: no cache would hold it anyway."""
_MANY = 1024


class KeyTable:
    """Whether a key is in a set: false alarms only, one in sixteen for random keys."""

    def __init__(self, members: Keys, room: int = 0) -> None:
        """Take the set, and how many keys to make room for if more than it has."""
        size = max(room, len(members), 16)
        room_each = _LITTLE_ROOM if size > _LARGE else _ROOM
        # The top bits of the product are the ones that all bits of the key reach.
        self._shift = np.uint64(64 - (size - 1).bit_length() - room_each)
        self._table = np.zeros(1 << (64 - int(self._shift)), bool)
        self._table[self._slots(members)] = True

    def _slots(self, keys: Keys) -> Indexes:
        return ((keys * _SPREAD) >> self._shift).view(np.int64)

    def may_have(self, keys: Keys) -> NDArray[np.bool_]:
        """For each key whether it may be a member."""
        # No slot is out of range; `clip` is only the mode that costs nothing to check.
        return self._table.take(self._slots(keys), mode="clip")


def repeated(keys: Keys) -> NDArray[np.bool_]:
    """Where a key occurs more than once; now and then true where it does not."""
    ordered = np.sort(keys)
    again = ordered[1:][ordered[1:] == ordered[:-1]]
    if not len(again):
        return np.zeros(len(keys), bool)
    index = KeyTable(again, len(keys))
    return index.may_have(keys)


@dataclass(frozen=True, slots=True, eq=False)
class Matches:
    """The ends that have a start, and the classes they belong to."""

    starts: Indexes
    """The shortest blocks: index of the start, in `StartClasses`' numbering."""
    ends: Indexes
    """Index of the end, in the order of the keys given."""
    tried_pairs: int
    """All pairs that match, each counted though none was looked at."""
    _members: Indexes
    _class_of_start: Indexes
    _all_ends: Indexes
    _reads: Indexes
    """The shortest blocks by number: start, and field where there are several."""
    _read_of_end: Indexes
    _places: Indexes

    @property
    def matched_ends(self) -> Indexes:
        """All ends that have a start."""
        return self._all_ends

    def nearest(self) -> tuple[Indexes, Indexes, Indexes]:
        """For each end that has a start: itself, its nearest start, their class."""
        # The number of a read is its start's place plus a multiple for the field: see `match`.
        places = self._read_of_end % len(self._members)
        return self._all_ends, self._members[places], self._class_of_start[places]

    def starts_of_class(self, number: int, low: int, high: int) -> Indexes:
        """The starts of a class from `low` to before `high`, ascending."""
        first, last = np.searchsorted(self._class_of_start, [number, number + 1])
        members = self._members[first:last]
        first, last = np.searchsorted(members, [low, high])
        chosen: Indexes = members[first:last]
        return chosen

    def starts_like(self, row: int) -> Indexes:
        """All starts of the same class as that of the shortest block `row`, ascending."""
        chosen = self._class_of_start[self._places[row]]
        low, high = np.searchsorted(self._class_of_start, [chosen, chosen + 1])
        members: Indexes = self._members[low:high]
        return members

    def ends_like(self, row: int) -> Indexes:
        """All ends whose nearest start is that of the shortest block `row`, ascending."""
        ends: Indexes = self._all_ends[self._read_of_end == self._reads[row]]
        return ends


class StartClasses:
    """All starts by key, ready to be asked."""

    def __init__(self, keys: Keys, per_position: int = 1) -> None:
        """Take the key of each start.

        Args:
            keys: One for each start; index = position · `per_position` + model. `NO_START`
                where there is none.
            per_position: How many models start at each position.
        """
        self._keys = keys
        self.per_position = per_position
        self._table = KeyTable(keys)
        self._sorted: Keys | None = None

    def match(
        self,
        ends: Keys,
        limits: Indexes,
        floors: Indexes | None = None,
        fields: Indexes | None = None,
    ) -> Matches | None:
        """Join the ends to the starts.

        Args:
            ends: The key of each end, for each field in ascending order.
            limits: Starts of an end lie at positions below this.
            floors: And at or above this; None is 0.
            fields: Number of the field that each end goes with, where there are several:
                ends of different fields are never folded into one block.
        """
        joined = self._join(ends, limits, floors, self.likely(ends))
        if joined is None:
            return None
        hits, nearest, first, members, class_of_start = joined
        # One number for start and field, so that ends of two fields never share a read.
        read = nearest if fields is None else nearest + len(members) * fields[hits]
        reads, rows = _first_of_each(read)
        return Matches(
            starts=members[nearest[rows]],
            ends=hits[rows],
            tried_pairs=int((nearest - first + 1).sum()),
            _members=members,
            _class_of_start=class_of_start,
            _all_ends=hits,
            _reads=reads,
            _read_of_end=read,
            _places=nearest[rows],
        )

    def likely(self, ends: Keys) -> Indexes:
        """The ends that may have a start somewhere; few others."""
        return np.flatnonzero(self._table.may_have(ends))

    def count(self, ends: Keys, limits: Indexes, floors: Indexes) -> tuple[Indexes, Indexes] | None:
        """The ends that have starts, and how many each has; see `match`.

        Args: as there, of `likely` ends alone.
        """
        joined = self._join(ends, limits, floors, np.arange(len(ends)))
        if joined is None:
            return None
        hits, nearest, first, _, _ = joined
        return hits, nearest - first + 1

    def _without_blocked(self, hits: Indexes, ends: Keys, limits: Indexes) -> Indexes:
        """Drop most hits that only starts above their limit have made.

        In erased space all ends share one limit, the start of that space, and many have the
        keys of starts inside it. A table of the starts below the limit alone tells cheaply.
        """
        if len(hits) < _MANY:
            return hits
        shared = limits[hits]
        # Neighbouring hits of one limit form a run, and each run is asked at once.
        borders = np.flatnonzero(np.diff(shared)) + 1
        firsts = np.concatenate([[0], borders])
        lasts = np.concatenate([borders, [len(hits)]])
        long = np.flatnonzero(lasts - firsts >= _MANY)
        kept = np.ones(len(hits), bool)
        for run in long:
            part = slice(int(firsts[run]), int(lasts[run]))
            # Keys lie by position, so those below a limit are the first ones.
            below = self._keys[: int(shared[part.start]) * self.per_position]
            kept[part] = KeyTable(below).may_have(ends[hits[part]])
        return hits[kept]

    def _common(self, keys: Keys) -> Keys:
        """The distinct ones of `keys` that some start has, sorted."""
        if self._sorted is None:
            self._sorted = np.sort(self._keys)
        wanted = distinct(keys)
        places = np.searchsorted(self._sorted, wanted)
        # Behind the last key: any place will do, the comparison below says no.
        places[places == len(self._sorted)] = 0
        common: Keys = wanted[self._sorted[places] == wanted]
        return common

    def _join(
        self, ends: Keys, limits: Indexes, floors: Indexes | None, likely: Indexes
    ) -> tuple[Indexes, Indexes, Indexes, Indexes, Indexes] | None:
        """The ends that have starts; nearest and first start of each, as places among all
        starts of these classes; those starts; the class of each."""
        hits = likely[limits[likely] > (0 if floors is None else floors[likely])]
        hits = self._without_blocked(hits, ends, limits)
        if not len(hits):
            return None
        common = self._common(ends[hits])
        if not len(common):
            return None
        class_of_end, kept = _classes(common, ends[hits])
        hits, class_of_end = hits[kept], class_of_end[kept]
        # A table first: most starts have no end, and a look-up costs less than a binary search.
        near = np.flatnonzero(KeyTable(common, len(self._keys)).may_have(self._keys))
        class_of_start, kept = _classes(common, self._keys[near])
        stride = len(self._keys) + 1
        # One number orders starts by class, then by position: a sort of plain integers.
        order = np.sort(class_of_start[kept] * stride + near[kept])
        class_of_start, members = np.divmod(order, stride)
        each = self.per_position
        # The last start of the class below the limit. Where there is none this is a start of an
        # earlier class, and lies before `first`.
        nearest = _places_in(order, class_of_end * stride + limits[hits] * each) - 1
        lowest = class_of_end * stride + (0 if floors is None else floors[hits] * each)
        first = _places_in(order, lowest)
        valid = nearest >= first
        if not valid.any():
            return None
        return hits[valid], nearest[valid], first[valid], members, class_of_start


def _classes(common: Keys, keys: Keys) -> tuple[Indexes, NDArray[np.bool_]]:
    """The place of each key in `common`, and whether it is there at all."""
    places = _places_in(common, keys)
    places[places == len(common)] = 0
    return places, common[places] == keys


def distinct(keys: Keys) -> Keys:
    """Sorted, without repeats: a vectorised sort is much faster than a hash."""
    ordered = np.sort(keys)
    different = np.ones(len(ordered), bool)
    np.not_equal(ordered[1:], ordered[:-1], out=different[1:])
    chosen: Keys = ordered[different]
    return chosen


def _places_in(ordered: NDArray[np.generic], wanted: NDArray[np.generic]) -> Indexes:
    """`searchsorted`; many wanted values are sorted first, which spares the cache."""
    if len(wanted) < _MANY:
        return np.searchsorted(ordered, wanted)
    turn = np.argsort(wanted)
    places = np.empty(len(wanted), np.int64)
    places[turn] = np.searchsorted(ordered, wanted[turn])
    return places


def _first_of_each(numbers: Indexes) -> tuple[Indexes, Indexes]:
    """The distinct numbers, and the place of the first of each."""
    turn = np.argsort(numbers, kind="stable")
    ordered = numbers[turn]
    different = np.ones(len(ordered), bool)
    np.not_equal(ordered[1:], ordered[:-1], out=different[1:])
    return ordered[different], turn[different]
