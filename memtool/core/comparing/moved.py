"""Blocks that stand in both images, but at different addresses.

Rules
-----
1. Only changed content counts: a block begins and ends, in both images, with bytes that differ or
   that one image alone defines, or at most 15 bytes from one. So a copy that stood in its place all
   the time is not called moved. Unchanged bytes lie inside it where they are the same there too:
   an image of which all moved by one byte is one block, erased parts included.
2. A block has at least `SHORTEST` bytes, and constant runs at its ends are not counted. Filler
   (one byte, or two or four in turn) is no block: it stands everywhere. So 16 changed bytes in a
   row must be more than filler, and neither begin nor end with it; nor is filler what has fewer
   than 20 bytes of which 12 in a row are.
3. Blocks of A are taken by address, each at the place in B where it goes on longest; of places that
   share twelve bytes with it the first `_PLACES` are tried, and the one as far off as the block
   before. A byte belongs to one block at most, on either side.
4. The search ends after `MOST_BLOCKS`. So many are texts of the same words, not data that moved.

How: of A every fourth window of 12 bytes gets a key of 32 bits by arithmetic on whole arrays, of
B every one; a block holds 16 bytes that are more than filler, and these hold one of A's, wherever
they begin. Those whose keys both have (`memtool.core.comparing.windows`) only propose; bytes are
compared. Fewer windows, picked by their content, are looked at before that: mostly they tell
already that there is no block (`memtool.core.comparing.sampled`).
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from operator import attrgetter
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.comparing.changed import Changed
from memtool.core.comparing.equal_bytes import count_equal, equal_after, equal_before
from memtool.core.comparing.filler import (
    SHORTEST,
    BusyWindows,
    busy_windows,
    without_filler,
    without_filler_each,
)
from memtool.core.comparing.sampled import LENGTH, shared_windows
from memtool.core.comparing.windows import (
    INDEX,
    REACH,
    WORD,
    Table,
    few_of_each,
    joined,
    look_up,
    only_shared,
    telling_windows,
    upper,
    windows_of,
)
from memtool.core.image import Image, Segment
from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from memtool.core.comparing.windows import Windows
    from memtool.core.runs import Bytes, Edges, Mask

    Numbers = NDArray[np.int64]

MOST_BLOCKS = 10_000
_PLACES = 16
"""How many places in B are tried for one block."""
_NO_END = 1 << 62
"""Behind all addresses."""
_FAR = 64
"""Bytes compared on each side of a proposed window, before it is grown one by one."""
_AT_ONCE = 4096
"""Proposals that are looked at in one go."""
_BUSY_AT_ONCE = 1 << 14
"""Bytes of A of which it is known at once whether their windows are more than filler."""


class MovedBlock(NamedTuple):
    """The same bytes at two addresses."""

    a_start: int
    """Address in the first image."""
    b_start: int
    """Address in the second image."""
    length: int
    """Bytes."""


def find_moved_blocks(
    a: Image, b: Image, *, changed_a: Edges, changed_b: Edges
) -> tuple[MovedBlock, ...]:
    """Blocks of `a` that stand elsewhere in `b`, by their address in `a`; `MOST_BLOCKS` at most.

    Args:
        a: The first image.
        b: The second image.
        changed_a: Runs of `a` that `b` does not hold in the same place; sorted, disjoint.
        changed_b: The same of `b`.
    """
    from_a, from_b = Changed.of(a, changed_a), Changed.of(b, changed_b)
    if from_a is None or from_b is None:
        return ()
    picked = shared_windows(from_a.data, from_b.data, SHORTEST)
    if picked is not None:
        search = _Search(from_a, from_b, *picked, reach=SHORTEST - LENGTH)
        if not search.may_hold_a_block():
            return ()
    common = _common_windows(from_a.data, from_b.data)
    return tuple(_Search(from_a, from_b, *common, reach=REACH).run())


def _common_windows(a: Bytes, b: Bytes) -> tuple[Windows, Windows]:
    """Of A every fourth window, of B every one, those whose key the other may have."""
    in_a = joined(telling_windows(a), len(a) // WORD)
    table = Table(in_a)
    found = (part for shift in range(WORD) for part in windows_of(b, shift, table))
    # Texts have some of them a hundred thousand times.
    in_b = few_of_each(found, _PLACES, len(b))
    left = len(in_a) + len(in_b)
    while True:
        # What one side loses lets the other lose more. It ends once a turn leaves out less than
        # half: sorting is then cheaper than another turn.
        in_a = only_shared(in_a, Table(in_b))
        in_b = only_shared(in_b, Table(in_a))
        if 2 * (len(in_a) + len(in_b)) >= left:
            return in_a, in_b
        left = len(in_a) + len(in_b)


class _Search:
    """One pass over the windows of A."""

    def __init__(self, a: Changed, b: Changed, in_a: Windows, in_b: Windows, *, reach: int) -> None:
        """
        Args:
            a: Where blocks are looked for.
            b: Where they stand elsewhere.
            in_a: Windows of `a` that may have the key of one of `b`. Used up.
            in_b: Those of `b`. Used up.
            reach: How far before a window of `a` those 16 bytes of a block may begin that hold it.
        """
        self.a, self.b, self.reach = a, b, reach
        # Equal keys by address, so that the same places are tried everywhere.
        in_b.sort()
        self.in_b = in_b
        # Looked up in sorted order, which is many times as fast as in the order of A.
        in_a.sort()
        self.proposals = look_up(in_a, in_b)
        self.taken, self.taken_indexes = _Taken(), _Taken()
        """Of B: addresses, and their indexes."""
        self.busy, self.busy_from = b"", 0
        """For some windows of A, from this index on: 1 where it is more than filler."""
        self.a_done = 0
        """First address of A behind all blocks so far."""
        self.first = 0
        """Its index, or that of the first changed byte behind it."""
        self.distance = 0
        """How far off the last block is; none is 0."""

    def may_hold_a_block(self) -> bool:
        """False only where no block goes through any of the windows."""
        keys = upper(self.in_b)
        if (keys[_PLACES:] == keys[:-_PLACES]).any():
            # Some places are never tried.
            return True
        parts = (
            self.proposals[start : start + _AT_ONCE]
            for start in range(0, len(self.proposals), _AT_ONCE)
        )
        return any(self._hold_a_block(part).any() for part in parts)

    def run(self) -> list[MovedBlock]:
        """All blocks."""
        blocks: list[MovedBlock] = []
        for number in self._worth_growing():
            block = self._longest_at(number)
            if block is None:
                continue
            b_end = block.b_start + block.length
            self.taken.add(block.b_start, b_end)
            self.taken_indexes.add(self.b.index_from(block.b_start), self.b.index_from(b_end))
            self.distance = block.b_start - block.a_start
            self.a_done = block.a_start + block.length
            self.first = self.a.index_from(self.a_done)
            blocks.append(block)
            if len(blocks) == MOST_BLOCKS:
                break
        return blocks

    def _worth_growing(self) -> Iterator[int]:
        """Numbers of the proposals behind all blocks so far that may be one: growing a proposal
        costs as much as asking this of hundreds."""
        number = 0
        while number < len(self.proposals):
            some = self.proposals[number : number + _AT_ONCE]
            for found in np.flatnonzero(self._hold_a_block(some)).tolist():
                if int(some[found]) >> 32 >= self.first:
                    yield number + found
            # Proposals are sorted by index in A, which is their upper half.
            done = int(self.proposals.searchsorted(np.uint64(self.first << 32), "left"))
            number = max(number + len(some), done)

    def _hold_a_block(self, proposals: Windows) -> Mask:
        """For each proposal, sorted by index in A, whether a block goes through it in one of its
        places; true as well where that lies further off than is looked here."""
        in_a = upper(proposals).astype(np.int64)
        firsts = (proposals & np.uint64(INDEX)).astype(np.int64)
        keys = upper(self.in_b[firsts])
        holds: Mask = np.zeros(len(proposals), np.bool_)
        busy = BusyWindows(self.a.data, in_a, self.reach)
        tried = np.flatnonzero(busy.around())
        if self.distance:
            in_b = self.a.at_distance(in_a[tried], self.b, self.distance)
            some, in_b = tried[in_b >= 0], in_b[in_b >= 0]
            holds[some] = self._go_through(busy, some, in_a[some], in_b)
        for place in range(_PLACES):
            tried = tried[~holds[tried] & (firsts[tried] + place < len(self.in_b))]
            windows = self.in_b[firsts[tried] + place]
            same = upper(windows) == keys[tried]
            # Equal keys are neighbours: at the first unlike one a proposal has no more places.
            tried = tried[same]
            if not len(tried):
                break
            in_b = (windows[same] & np.uint64(INDEX)).astype(np.int64)
            holds[tried] = self._go_through(busy, tried, in_a[tried], in_b)
        return holds

    def _go_through(
        self, busy: BusyWindows, numbers: Numbers, in_a: Numbers, in_b: Numbers
    ) -> Mask:
        """Whether a block goes through each pair of places; `numbers`: those of A's in `busy`."""
        holds: Mask = np.zeros(len(numbers), np.bool_)
        before, after = self._count_around(in_a, in_b, SHORTEST)
        # Near ones first, which few are left of.
        some = np.flatnonzero(busy.between(numbers, in_a - before, in_a + after))
        numbers, in_a, in_b = numbers[some], in_a[some], in_b[some]
        before, after = self._count_around(in_a, in_b, _FAR)
        room_before, room_after = self.taken_indexes.room_around(in_b)
        before = np.minimum(before, np.minimum(room_before, in_a - self.first))
        after = np.minimum(after, room_after)
        begins, ends = without_filler_each(self.a.words, in_a - before, in_a + after, 2 * _FAR)
        far = (before == _FAR) | (after == _FAR)
        holds[some] = far | busy.between(numbers, begins, ends)
        return holds

    def _count_around(self, in_a: Numbers, in_b: Numbers, most: int) -> tuple[Numbers, Numbers]:
        """How many bytes are equal before and behind each pair of places, inside their pieces."""
        a, b = self.a.words, self.b.words
        before = count_equal(a, b, in_a, in_b, most=most, back=True)
        after = count_equal(a, b, in_a, in_b, most=most)
        # Few are left, so that only those are asked for their pieces.
        long = np.flatnonzero(before + after >= SHORTEST)
        for changed, places in ((self.a, in_a[long]), (self.b, in_b[long])):
            piece = changed.borders.searchsorted(places, "right")
            before[long] = np.minimum(before[long], places - changed.borders[piece - 1])
            after[long] = np.minimum(after[long], changed.borders[piece] - places)
        return before, after

    def _places_of(self, number: int, a_index: int) -> Iterator[int]:
        """The places in B that are tried for a proposal."""
        first = int(self.proposals[number]) & INDEX
        near = self.in_b[first : first + _PLACES]
        keys = upper(near)
        # Equal keys are neighbours, so those of another key can only stand at the end.
        places: list[int] = (near[keys == keys[0]] & np.uint64(INDEX)).tolist()
        if self.distance:
            (as_far,) = self.a.at_distance(np.array([a_index]), self.b, self.distance).tolist()
            if as_far >= 0 and as_far not in places:
                yield as_far
        yield from places

    def _longest_at(self, number: int) -> MovedBlock | None:
        """The longest block through one window of A."""
        a_index = int(self.proposals[number]) >> 32
        longest: list[MovedBlock] = []
        for b_index in self._places_of(number, a_index):
            block = self._grown(a_index, b_index, longest[0].length if longest else SHORTEST)
            if block is not None and longest and block.length > longest[0].length:
                longest.clear()
            if block is not None:
                longest.append(block)
        # Of equally long ones the first.
        return max(map(self._extended, longest), key=attrgetter("length"), default=None)

    def _grown(self, a_index: int, b_index: int, least: int) -> MovedBlock | None:
        """The block through two windows, grown to both sides inside their pieces, without filler
        at its ends; None where it has fewer bytes than `least`."""
        a_first, a_end = self.a.piece_of(a_index)
        b_first, b_end = self.b.piece_of(b_index)
        a, b = self.a.content, self.b.content
        # Keys only proposed: from here on bytes are compared, and a false proposal is not even one
        # byte long.
        room = min(a_end - a_index, self.taken_indexes.after(b_index, b_end) - b_index)
        after = equal_after(a, b, a_index, b_index, room)
        if not after:
            return None
        # Not back into a block already taken, nor over the border of a piece.
        b_begin = max(b_first, self.taken_indexes.before(b_index))
        room = min(a_index - max(a_first, self.first), b_index - b_begin)
        before = equal_before(a, b, a_index, b_index, room)
        if before + after < least:
            return None
        start, end = without_filler(a, a_index - before, a_index + after)
        if end - start < least:
            return None
        if not self._is_busy(max(start, a_index - self.reach), min(end, a_index + SHORTEST)):
            return None
        return MovedBlock(
            a_start=self.a.address_of(start),
            b_start=self.b.address_of(b_index + start - a_index),
            length=end - start,
        )

    def _extended(self, block: MovedBlock) -> MovedBlock:
        """The block grown over the borders of pieces, as far as the images define bytes."""
        a, b = self.a.segment_of(block.a_start), self.b.segment_of(block.b_start)
        start, shift = block.a_start, block.b_start - block.a_start
        end = start + block.length
        places = end - a.start, end + shift - b.start
        room = min(a.end - end, self.taken.after(end + shift, b.end) - end - shift)
        end += equal_after(a.data, b.data, *places, room)
        places = start - a.start, start + shift - b.start
        begin = max(b.start, self.taken.before(start + shift)) - shift
        room = start - max(a.start, self.a_done, begin)
        start -= equal_before(a.data, b.data, *places, room)
        inside = self._inside(start, end, shift, a)
        grown = MovedBlock(inside[0], inside[0] + shift, inside[1] - inside[0])
        # Filler around it may take some of its own ends for filler as well.
        return max(block, grown, key=attrgetter("length"))

    def _inside(self, start: int, end: int, shift: int, a: Segment) -> tuple[int, int]:
        """A block's ends in A moved inwards over what is unchanged in either image, and filler."""
        while True:
            before = start, end
            start, end = self.a.within(start, end)
            start, end = (address - shift for address in self.b.within(start + shift, end + shift))
            places = without_filler(a.data, start - a.start, end - a.start)
            start, end = (place + a.start for place in places)
            if (start, end) == before:
                return before

    def _is_busy(self, start: int, end: int) -> bool:
        """Whether a window between two near places of A is more than filler."""
        if end - start < SHORTEST:
            return False
        if not self.busy_from <= start <= end <= self.busy_from + len(self.busy):
            # Of the windows behind as well: blocks are taken by address.
            self.busy_from = start
            self.busy = busy_windows(self.a.data[start : start + _BUSY_AT_ONCE]).tobytes()
        first = start - self.busy_from
        return self.busy.find(1, first, first + end - start - SHORTEST + 1) >= 0


class _Taken:
    """Which addresses lie in blocks."""

    def __init__(self) -> None:
        self._starts: list[int] = []
        self._ends: list[int] = []

    def add(self, start: int, end: int) -> None:
        """A block that shares none with another."""
        number = bisect_left(self._starts, start)
        self._starts.insert(number, start)
        self._ends.insert(number, end)

    def after(self, address: int, end: int) -> int:
        """The first one from `address` on that lies in one, `end` at most."""
        number = bisect_right(self._ends, address)
        return min(max(address, self._starts[number]), end) if number < len(self._starts) else end

    def before(self, address: int) -> int:
        """The one behind the last before `address` that lies in one; 0 where there is none."""
        number = bisect_left(self._starts, address)
        return min(address, self._ends[number - 1]) if number else 0

    def room_around(self, addresses: Numbers) -> tuple[Numbers, Numbers]:
        """How many before and from each one on lie in none; both 0 where it lies in one itself."""
        starts, ends = np.array([*self._starts, _NO_END]), np.array([0, *self._ends])
        number = ends[1:].searchsorted(addresses, "right")
        after = np.maximum(starts[number] - addresses, 0)
        return np.where(after > 0, addresses - ends[number], 0), after
