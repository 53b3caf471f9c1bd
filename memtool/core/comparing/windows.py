"""Windows of twelve bytes with short keys, on whole arrays: which of them two images share.

A window is one number: its key in the upper half, the index of its first byte in the lower. So
sorting needs no second array. Tables of short keys leave out in turns what the other side has
not, which between unlike images is soon all of it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from memtool.core.comparing.filler import SHORTEST, busy_windows
from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from memtool.core.runs import Bytes, Mask

    Numbers = NDArray[np.int64]
    Keys = NDArray[np.uint32]
    Windows = NDArray[np.uint64]

WORD = 4
"""Bytes of a word; a window is three of them, and of A begins at every one."""
REACH = WORD - 1
"""So far before one of A's windows begins, at most, what is found through no earlier one."""
_CHUNK = 1 << 15
"""Windows worked on at a time: their arrays stay in the processor's cache."""
_LOOKED_UP = 1 << 17
"""Windows of A looked up at a time."""
_MARKED = 1 << 18
"""Short keys that are marked in a table at a time."""
_SORTED = 1 << 20
"""Short keys that are sorted at a time."""
_FACTORS = (0x9E3779B1, 0x85EBCA77, 0xC2B2AE3D)
"""Odd factors that mix the words of a window."""
INDEX = 0xFFFFFFFF
"""The lower half of a window's number."""
_SHORT_KEY = 24
"""Bits of a key that are looked at first, at most; there are two such parts."""


def telling_windows(data: Bytes) -> Iterator[Windows]:
    """The windows at every fourth byte that one of 16 bytes that is more than filler holds, without
    filler themselves, some at a time.

    Each such one of 16 bytes holds one of them, wherever it begins.
    """
    for start, words, keys in _parts_of(data, 0):
        # From what begins `REACH` before the first window to what begins with the last one.
        begin, count = start * WORD - REACH, len(keys) * WORD
        busy = np.zeros(count, np.bool_)
        found = busy_windows(data[max(begin, 0) : begin + count - 1 + SHORTEST])
        busy[max(-begin, 0) :][: len(found)] = found
        holds = np.flatnonzero(busy.view(np.uint32))
        yield _numbered(keys, holds[_are_busy(words, holds)], start, 0)


def windows_of(data: Bytes, shift: int, table: Table) -> Iterator[Windows]:
    """The windows at every fourth byte from `shift` on whose key `table` may have, without filler,
    some at a time."""
    for start, words, keys in _parts_of(data, shift):
        # The table first, since it leaves few.
        found = table.may_have(keys)
        yield _numbered(keys, found[_are_busy(words, found)], start, shift)


def _parts_of(data: Bytes, shift: int) -> Iterator[tuple[int, Keys, Keys]]:
    """The words from `shift` on, some at a time: the first one's number, words, windows' keys."""
    count = (len(data) - shift) // WORD
    words = np.frombuffer(data, np.uint32, count, offset=shift)
    for start in range(0, count - 2, _CHUNK):
        # Two words more: the last windows of a chunk reach into the next.
        part = words[start : start + _CHUNK + 2]
        # A window across two pieces proposes nothing that holds: blocks end there.
        yield start, part, _keys_of(part)


def _numbered(keys: Keys, found: Numbers, start: int, shift: int) -> Windows:
    """Windows of keys in a row, the first at word `start`."""
    indexes = ((found + start) * WORD + shift).astype(np.uint64)
    return keys[found].astype(np.uint64) << np.uint64(32) | indexes


def _keys_of(words: Keys) -> Keys:
    """The key of each three words in a row: every bit of them counts for every bit of it."""
    keys = words[:-2] * np.uint32(_FACTORS[0])
    keys ^= words[1:-1] * np.uint32(_FACTORS[1])
    keys ^= keys >> np.uint32(15)
    keys *= np.uint32(_FACTORS[2])
    keys ^= words[2:] * np.uint32(_FACTORS[0])
    keys ^= keys >> np.uint32(13)
    keys *= np.uint32(_FACTORS[1])
    keys ^= keys >> np.uint32(16)
    return keys


def _are_busy(words: Keys, at: Numbers) -> Mask:
    """Whether the three words from each place on are more than filler: not all the same."""
    first, second, third = words[at], words[at + 1], words[at + 2]
    busy: Mask = (first != second) | (second != third)
    return busy


def upper(windows: Windows) -> Keys:
    """The keys of windows."""
    return (windows >> np.uint64(32)).astype(np.uint32)


def joined(parts: Iterable[Windows], most: int) -> Windows:
    """All parts one behind the other, `most` windows at most."""
    # Memory that is never written to is never taken.
    windows, count = np.empty(most, np.uint64), 0
    for part in parts:
        windows[count : count + len(part)] = part
        count += len(part)
    return windows[:count]


def few_of_each(parts: Iterable[Windows], most: int, room: int) -> Windows:
    """All parts, `room` windows at most, sorted; of those with one key the `most` first ones."""
    # Memory that is never written to is never taken.
    windows, count, left = np.empty(room, np.uint64), 0, 0
    for part in parts:
        windows[count : count + len(part)] = part
        count += len(part)
        # Not before half as many are new as were left: so each is sorted a few times at most.
        if count > max(_SORTED, left + left // 2):
            count = left = _keep_first(windows[:count], most)
    return windows[: _keep_first(windows[:count], most)]


def _keep_first(windows: Windows, most: int) -> int:
    """Sort them, and put the `most` first ones of each key at the beginning: how many these are."""
    windows.sort()
    count, before = 0, np.full(most, -1, np.int64)
    for start in range(0, len(windows), _CHUNK):
        part = windows[start : start + _CHUNK]
        keys = np.concatenate([before, upper(part)])
        kept = part[keys[most:] != keys[:-most]]
        windows[count : count + len(kept)] = kept
        count += len(kept)
        before = keys[-most:]
    return count


def look_up(in_a: Windows, in_b: Windows) -> Windows:
    """The windows of A whose key B has, by index: that above, its first place in `in_b` below.

    Both are given sorted. `in_a` is used up: it holds the answer.
    """
    count = 0
    for start in range(0, len(in_a) if len(in_b) else 0, _LOOKED_UP):
        part = in_a[start : start + _LOOKED_UP]
        # The key with index 0 is the smallest number of that key: so the first window that has it.
        first = in_b.searchsorted(part & ~np.uint64(INDEX), "left")
        # Behind the last one: any place will do, the comparison below says no.
        first[first == len(in_b)] = 0
        same = upper(in_b[first]) == upper(part)
        found = (part[same] << np.uint64(32)) | first[same].astype(np.uint64)
        # Never ahead of what was read: there are at most as many answers as windows looked up.
        in_a[count : count + len(found)] = found
        count += len(found)
    in_a[:count].sort()
    return in_a[:count]


class Table:
    """Which short keys occur: says no for certain, and yes with some chance to be wrong.

    A bit each: so the table stays in the processor's cache, where most of the time goes.
    """

    def __init__(self, windows: Windows) -> None:
        # Eight to sixteen places a window: one foreign key in eight or fewer passes one part, and
        # few pass both.
        self._bits = min(max(len(windows).bit_length() + 3, 3), _SHORT_KEY)
        self._present = [self._marked(windows, which) for which in (0, 1)]

    def _marked(self, windows: Windows, which: int) -> Bytes:
        packed = np.zeros(1 << self._bits - 3, np.uint8)
        for start in range(0, len(windows), _MARKED):
            short = self._short(upper(windows[start : start + _MARKED]))[which]
            # In order they are marked several times as fast, and those of one byte are neighbours.
            short.sort()
            bits = np.uint8(1) << (short & np.uint32(7)).astype(np.uint8)
            places = short >> np.uint32(3)
            firsts = np.flatnonzero(np.diff(places, prepend=~places[:1]))
            packed[places[firsts]] |= np.bitwise_or.reduceat(bits, firsts)
        return packed

    def may_have(self, keys: Keys) -> Numbers:
        """Indexes of the keys that may be among those of the table."""
        one, two = self._short(keys)
        found = np.flatnonzero(_bits_at(self._present[0], one))
        return found[np.flatnonzero(_bits_at(self._present[1], two[found]))]

    def _short(self, keys: Keys) -> tuple[Keys, Keys]:
        mask = np.uint32((1 << self._bits) - 1)
        return keys >> np.uint32(32 - self._bits), keys & mask


def _bits_at(packed: Bytes, places: Keys) -> Bytes:
    """The bit at each place, 0 or 1."""
    # No place lies outside: "wrap" only leaves out the check for it.
    bits: Bytes = packed.take(places >> np.uint32(3), mode="wrap")
    bits >>= places.astype(np.uint8) & np.uint8(7)
    bits &= np.uint8(1)
    return bits


def only_shared(windows: Windows, table: Table) -> Windows:
    """Leave out most windows whose key is not in the table, before anything is sorted.

    The array is used up: those that are left stand at its beginning.
    """
    count = 0
    for start in range(0, len(windows), _CHUNK):
        part = windows[start : start + _CHUNK]
        kept = part[table.may_have(upper(part))]
        windows[count : count + len(kept)] = kept
        count += len(kept)
    return windows[:count]
