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
_OTHER_SPREADS = tuple(np.uint64(odd) for odd in (0xD6E8FEB86659FD93, 0xA0761D6478BD642F))
"""Keys that shared a place by one factor share none by another one."""
_ROOM = 4
"""The table of keys has 2^4 places for each start: one end in sixteen passes by mistake."""
_LITTLE_ROOM = 2
_LARGE = 1 << 20
"""Of more starts than these the table has 2^2 places for each: no cache would hold it anyway."""
_MANY = 1024
_CHUNK = 8192
"""Keys looked up at a time."""
_TABLE = 1 << 16
"""A table with room for so many keys lies in the cache."""
_CACHED = 1 << 16
"""So many keys stay in the cache, in whatever order they are looked for."""
_PAIRS = 1 << 12
"""So many pairs of a start and an end are sooner compared than both sides sorted."""
_SHORT = 64
"""So few numbers are sorted in one step."""
_FEW = 64
"""One end for so many starts is few."""


class KeyTable:
    """Whether a key is in a set: false alarms only, one in sixteen for random keys."""

    def __init__(self, members: Keys, room: int = 0, spread: np.uint64 = _SPREAD) -> None:
        """Take the set, how many keys to make room for if more than it has, and an odd factor."""
        self._spread = spread
        size = max(room, len(members), 16)
        room_each = _LITTLE_ROOM if size > _LARGE else _ROOM
        # The top bits of the product are the ones that all bits of the key reach.
        self._shift = np.uint64(64 - (size - 1).bit_length() - room_each)
        table = np.zeros(1 << (64 - int(self._shift)), bool)
        for begin in range(0, len(members), _CHUNK):
            table[self._slots(members[begin : begin + _CHUNK]).view(np.int64)] = True
        # Of a large table eight places are one byte, so that it lies nearer to the processor.
        self._packed = size > _TABLE
        self._table: NDArray[np.uint8] = (
            np.packbits(table, bitorder="little") if self._packed else table.view(np.uint8)
        )

    def _slots(self, keys: Keys) -> Keys:
        return (keys * self._spread) >> self._shift

    def may_have(self, keys: Keys) -> NDArray[np.bool_]:
        """For each key whether it may be a member."""
        found = np.empty(keys.shape, bool)
        given, told = keys.reshape(-1), found.reshape(-1)
        for begin in range(0, len(given), _CHUNK):
            slots = self._slots(given[begin : begin + _CHUNK])
            # No slot is out of range; `clip` is only the mode that costs nothing to check.
            if not self._packed:
                held = self._table.take(slots.view(np.int64), mode="clip")
            else:
                held = self._table.take((slots >> np.uint64(3)).view(np.int64), mode="clip")
                held >>= slots.astype(np.uint8) & np.uint8(7)
                held &= np.uint8(1)
            told[begin : begin + _CHUNK] = held
        return found


def repeated(keys: Keys) -> NDArray[np.bool_]:
    """Where a key occurs more than once; now and then true where it does not."""
    # Half as wide they are sorted in a third of the time; now and then two that differ meet.
    folded = ((keys * _SPREAD) >> np.uint64(32)).astype(np.uint32)
    ordered = np.sort(folded)
    again = ordered[1:][ordered[1:] == ordered[:-1]]
    if not len(again):
        return np.zeros(len(keys), bool)
    index = KeyTable(again.astype(np.uint64), min(len(keys), _TABLE))
    return index.may_have(folded.astype(np.uint64))


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


class Joined:
    """Starts and ends with equal keys: sorted once, asked for as many limits as there are."""

    def __init__(
        self,
        hits: Indexes,
        class_of_end: Indexes,
        members: Indexes,
        class_of_start: Indexes,
        per_position: int,
    ) -> None:
        """Take both sides by class, those of one class by position.

        Args:
            hits: The ends, and `class_of_end` of each.
            class_of_end: Any class may have no start.
            members: The starts, and `class_of_start` of each.
            class_of_start: Ascending.
            per_position: How many starts there are at each position.
        """
        self._hits, self._class_of_end = hits, class_of_end
        self._members, self._class_of_start = members, class_of_start
        self._each = per_position

    def match(
        self, limits: Indexes, floors: Indexes | None = None, fields: Indexes | None = None
    ) -> Matches | None:
        """See `StartClasses.match`; no limit is above, no floor below the one given there."""
        found = self._within(limits, floors)
        if found is None:
            return None
        hits, nearest, first = found
        members = self._members
        # One number for start and field, so that ends of two fields never share a read.
        read = nearest if fields is None else nearest + len(members) * fields[hits]
        reads, rows = _first_of_each(read)
        return Matches(
            starts=members[nearest[rows]],
            ends=hits[rows],
            tried_pairs=int((nearest - first + 1).sum()),
            _members=members,
            _class_of_start=self._class_of_start,
            _all_ends=hits,
            _reads=reads,
            _read_of_end=read,
            _places=nearest[rows],
        )

    def count(self, limits: Indexes, floors: Indexes) -> tuple[Indexes, Indexes] | None:
        """The ends that have starts, and how many each has; see `match`."""
        found = self._within(limits, floors)
        if found is None:
            return None
        hits, nearest, first = found
        return hits, nearest - first + 1

    def _within(
        self, limits: Indexes, floors: Indexes | None
    ) -> tuple[Indexes, Indexes, Indexes] | None:
        """The ends that have starts; nearest and first start of each, as places among all."""
        hits, class_of_end, each = self._hits, self._class_of_end, self._each
        asked = limits[hits] > (0 if floors is None else floors[hits])
        hits, class_of_end = hits[asked], class_of_end[asked]
        if not len(hits):
            return None
        # One number orders starts by class, then by position.
        stride = max(int(self._members.max()), int(limits[hits].max()) * each) + 1
        order = self._class_of_start * stride + self._members
        # The last start of the class below the limit. Where there is none this is a start of an
        # earlier class, and lies before `first`.
        nearest = np.searchsorted(order, class_of_end * stride + limits[hits] * each) - 1
        if floors is None:
            first = np.searchsorted(self._class_of_start, class_of_end)
        else:
            first = np.searchsorted(order, class_of_end * stride + floors[hits] * each)
        valid = np.flatnonzero(nearest >= first)
        if not len(valid):
            return None
        # Back to the order of the ends.
        again, places = in_order(hits[valid].view(np.uint64))
        valid = valid[again]
        return places.view(np.int64), nearest[valid], first[valid]


class StartClasses:
    """All starts by key, ready to be asked."""

    def __init__(self, keys: Keys, per_position: int = 1, positions: Indexes | None = None) -> None:
        """Take the key of each start.

        Args:
            keys: One for each start, models side by side at each position. `NO_START` where
                there is none. A start's index is position · `per_position` + model.
            per_position: How many models start at each position.
            positions: Where they start, ascending; None is 0, 1, 2, …
        """
        self._keys, self._positions = keys, positions
        self.per_position = per_position
        self._table: KeyTable | None = None
        self._sorted: Keys | None = None
        self._asked = False

    def _indexes(self, places: Indexes) -> Indexes:
        """The index of the start of each key."""
        if self._positions is None:
            return places
        each = self.per_position
        return self._positions[places // each] * each + places % each

    def match(
        self,
        ends: Keys,
        limits: Indexes,
        floors: Indexes | None = None,
        fields: Indexes | None = None,
        likely: Indexes | None = None,
    ) -> Matches | None:
        """Join the ends to the starts.

        Args:
            ends: The key of each end, for each field in ascending order.
            limits: Starts of an end lie at positions below this.
            floors: And at or above this; None is 0.
            fields: Number of the field that each end goes with, where there are several:
                ends of different fields are never folded into one block.
            likely: What `likely` says of the same ends, where it is at hand.
        """
        joined = self.join(ends, limits, floors, likely)
        return None if joined is None else joined.match(limits, floors, fields)

    def join(
        self,
        ends: Keys,
        limits: Indexes,
        floors: Indexes | None = None,
        likely: Indexes | None = None,
    ) -> Joined | None:
        """The same in two steps, for ends that are asked about several times.

        Args: as there; the limits are the highest, and the floors the lowest that are asked.
        """
        hits = self.likely(ends) if likely is None else likely
        hits = hits[limits[hits] > (0 if floors is None else floors[hits])]
        hits = self._without_blocked(hits, ends, limits)
        near, hits = self._meeting(ends, hits)
        if len(near) * len(hits) <= _PAIRS:
            own = None if floors is None else floors[hits]
            hits = hits[self._are_near(near, ends[hits], limits[hits], own)]
        if not len(hits):
            return None
        # From here on both sides lie by key, those of one key by position: searches go through
        # memory in one direction.
        turn, ordered = in_order(ends[hits])
        new = changes_of(ordered)
        common, class_of_end = ordered[new], np.cumsum(new) - 1
        class_of_start, members = _classes(common, self._keys[near])
        if not len(members):
            return None
        members = self._indexes(near[members])
        return Joined(hits[turn], class_of_end, members, class_of_start, self.per_position)

    def likely(self, ends: Keys) -> Indexes:
        """The ends that may have a start somewhere; few others, unless few are asked for."""
        if self._table is None:
            # So few ends are sooner looked for from the other side: see `_meeting`.
            if _FEW * len(ends) < len(self._keys):
                return np.arange(len(ends))
            self._table = KeyTable(self._keys)
        return np.flatnonzero(self._table.may_have(ends))

    def meeting(self, ends: Keys) -> tuple[Indexes, Indexes]:
        """The starts and the ends that may have each other's keys, and few others, ascending."""
        near, hits = self._meeting(ends, self.likely(ends))
        if len(near) and _FEW * len(near) < len(self._keys):
            hits = hits[are_in(np.sort(self._keys[near]), ends[hits])]
            if len(hits):
                near = near[are_in(np.sort(ends[hits]), self._keys[near])]
        return self._indexes(near[: len(near) if len(hits) else 0]), hits

    def _are_near(
        self, near: Indexes, ends: Keys, limits: Indexes, floors: Indexes | None
    ) -> NDArray[np.bool_]:
        """Which of few ends have one of few starts, where it may lie.

        Many have only what lies behind them, and are not worth a sort.
        """
        indexes = self._indexes(near)[:, np.newaxis]
        pairs = (self._keys[near][:, np.newaxis] == ends) & (indexes < limits * self.per_position)
        if floors is not None:
            pairs &= indexes >= floors * self.per_position
        found: NDArray[np.bool_] = pairs.any(axis=0)
        return found

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
            limit = int(shared[part.start])
            if self._positions is not None:
                limit = int(np.searchsorted(self._positions, limit))
            below = self._keys[: limit * self.per_position]
            kept[part] = KeyTable(below).may_have(ends[hits[part]])
        return hits[kept]

    def _meeting(self, ends: Keys, hits: Indexes) -> tuple[Indexes, Indexes]:
        """The starts and those of `hits` that may have each other's keys, and few others.

        Either side leaves few of the other one, which leaves fewer still: most searches end
        here, without a sort.
        """
        if _FEW * len(hits) < len(self._keys):
            # Whoever asks for few ends asks again, and then a sort pays.
            if self._asked and self._sorted is None:
                self._sorted = np.sort(self._keys)
            self._asked = True
            if self._sorted is not None:
                hits = hits[are_in(self._sorted, ends[hits])]
        if not len(hits):
            return hits, hits
        to_starts, to_ends = _OTHER_SPREADS
        near = np.flatnonzero(KeyTable(ends[hits], 0, to_starts).may_have(self._keys))
        before = len(hits)
        # Where most are left they are true ones, or many of a few keys.
        while 2 * len(near) < len(self._keys):
            hits = hits[KeyTable(self._keys[near], 0, to_ends).may_have(ends[hits])]
            if 2 * len(hits) > before or not len(hits):
                break
            before = len(hits)
            near = near[KeyTable(ends[hits], 0, to_starts).may_have(self._keys[near])]
        return near, hits


def _classes(common: Keys, keys: Keys) -> tuple[Indexes, Indexes]:
    """For those of `keys` that are among the sorted `common`, by key and then by place: which
    of these each is, and its place."""
    turn, ordered = in_order(keys)
    new = changes_of(ordered)
    own = ordered[new]
    places = np.searchsorted(common, own)
    # Behind the last key: any place will do, the comparison below says no.
    places[places == len(common)] = 0
    known = common[places] == own
    class_of_own = np.cumsum(new) - 1
    kept = known[class_of_own]
    return places[class_of_own[kept]], turn[kept]


def are_in(known: Keys, wanted: Keys) -> NDArray[np.bool_]:
    """Which numbers are among the sorted ones."""
    if len(wanted) < _MANY or len(known) < _CACHED:
        return _are_at(known, wanted)
    # In order they go through memory in one direction, which makes up for the sort many times.
    turn, ordered = in_order(wanted)
    found = np.empty(len(wanted), bool)
    found[turn] = _are_at(known, ordered)
    return found


def _are_at(known: Keys, wanted: Keys) -> NDArray[np.bool_]:
    # Behind the last one: it is compared with the last one, and is not equal.
    places = np.minimum(np.searchsorted(known, wanted), len(known) - 1)
    found: NDArray[np.bool_] = known[places] == wanted
    return found


def distinct(keys: Keys) -> Keys:
    """Sorted, without repeats: a vectorised sort is much faster than a hash."""
    ordered = np.sort(keys)
    chosen: Keys = ordered[changes_of(ordered)]
    return chosen


def changes_of(ordered: NDArray[np.generic]) -> NDArray[np.bool_]:
    """Where a number is another one than that before it."""
    different = np.ones(len(ordered), bool)
    np.not_equal(ordered[1:], ordered[:-1], out=different[1:])
    return different


def in_order(numbers: Keys) -> tuple[Indexes, Keys]:
    """The places of `numbers` by number, equal ones in their order; and the numbers so."""
    if len(numbers) <= _SHORT:
        turn = np.argsort(numbers, kind="stable")
        return turn, numbers[turn]
    # Number and place in one integer: a plain sort takes a quarter of the time of `argsort`.
    low = (len(numbers) - 1).bit_length()
    lost = max(0, int(numbers.max()).bit_length() + low - 64)
    packed = numbers >> np.uint64(lost)
    packed <<= np.uint64(low)
    packed |= np.arange(len(numbers), dtype=np.uint64)
    packed.sort()
    packed &= np.uint64((1 << low) - 1)
    turn = packed.view(np.int64)
    ordered = numbers[turn]
    # Two may differ in bits that had no room.
    if lost and (ordered[1:] < ordered[:-1]).any():
        turn = np.argsort(numbers, kind="stable")
        ordered = numbers[turn]
    return turn, ordered


def _first_of_each(numbers: Indexes) -> tuple[Indexes, Indexes]:
    """The distinct numbers, none negative, and the place of the first of each."""
    turn, ordered = in_order(numbers.view(np.uint64))
    new = changes_of(ordered)
    return ordered[new].view(np.int64), turn[new]
