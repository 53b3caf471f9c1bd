"""A first look at two contents: windows picked by what they hold, which of them both share.

Of every `shortest` bytes in a row at least one window is picked, and the bytes alone say which:
the one that begins with the smallest byte. So a block that both hold has a window that is picked
in both, wherever it stands, though only one in six or seven is picked at all.

Source: S. Schleimer, D. S. Wilkerson, A. Aiken: Winnowing: Local Algorithms for Document
Fingerprinting. SIGMOD 2003.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.comparing.equal_bytes import eight_at_each
from memtool.lazy import np

if TYPE_CHECKING:
    from memtool.core.comparing.windows import Keys, Windows
    from memtool.core.runs import Bytes, Mask

LENGTH = 5
"""Bytes of a window: shorter ones are shared by chance, of longer ones more are picked."""
_FACTOR = 0x9E3779B97F4A7C15
"""Odd, mixes the bytes of a window."""
_CHUNK = 1 << 16
"""Bytes worked on at a time: their arrays stay in the processor's cache."""
_MOST_PICKED = 3
"""One window in so many is picked at most; more are of filler, of which all are equally small."""
_MOST_SHARED = 64
"""One picked window in so many is shared at most."""
_LARGE = 1 << 22
"""Of longer contents the first bytes are looked at first, to save memory."""
_FIRST = 16
"""One byte in so many is one of the first."""
_UNLIKE_BITS = 14
"""Lowest bits of a key that do not count where those of shared ones are told from others."""


def shared_windows(a: Bytes, b: Bytes, shortest: int) -> tuple[Windows, Windows] | None:
    """The picked windows of both that may be in the other; None if a first look does not tell.

    They are numbers as in `memtool.core.comparing.windows`, not sorted.

    Args:
        a: The first content, of `shortest` bytes or more.
        b: The second one, too.
        shortest: Bytes, of which every block in both has a window among those returned.
    """
    if min(len(a), len(b)) > _LARGE:
        firsts = _both_picked(a[: len(a) // _FIRST], b[: len(b) // _FIRST], shortest)
        # Where most of the first ones are shared, as in texts of the same words, a look at all
        # takes memory and tells nothing.
        if firsts is None or 2 * sum(map(len, firsts.shared_windows())) > firsts.number:
            return None
    picked = _both_picked(a, b, shortest)
    if picked is None or _MOST_SHARED * len(picked.shared) > picked.number + _CHUNK:
        return None
    return picked.shared_windows()


class _Picked(NamedTuple):
    """The picked windows of both contents: keys and indexes of each."""

    a: tuple[Keys, Keys]
    b: tuple[Keys, Keys]
    shared: Keys
    """The upper bits of the keys that both have, each once."""

    @property
    def number(self) -> int:
        """How many there are."""
        return len(self.a[0]) + len(self.b[0])

    def shared_windows(self) -> tuple[Windows, Windows]:
        """Those of each that may be in the other."""
        present = np.zeros(1 << (32 - _UNLIKE_BITS), np.bool_)
        present[self.shared] = True
        return _of_keys(*self.a, present), _of_keys(*self.b, present)


def _both_picked(a: Bytes, b: Bytes, shortest: int) -> _Picked | None:
    """None where too many of either are picked."""
    one = _picked(a, shortest)
    other = None if one is None else _picked(b, shortest)
    if one is None or other is None:
        return None
    # The lowest bit of a key is free: it says which side has it. Sorted, a key of both is the one
    # place where nothing but that bit changes.
    keys = np.concatenate([one[0], other[0]])
    keys[len(one[0]) :] |= np.uint32(1)
    keys.sort()
    shared = keys[1:][(keys[1:] ^ keys[:-1]) == 1] >> np.uint32(_UNLIKE_BITS)
    return _Picked(one, other, shared)


def _of_keys(keys: Keys, indexes: Keys, present: Mask) -> Windows:
    """The windows the upper bits of whose keys are present."""
    found = np.flatnonzero(present[keys >> np.uint32(_UNLIKE_BITS)])
    return keys[found].astype(np.uint64) << np.uint64(32) | indexes[found]


def _picked(data: Bytes, shortest: int) -> tuple[Keys, Keys] | None:
    """Keys and indexes of the windows of which one begins with the smallest byte of `shortest`
    bytes' windows; the lowest bit of a key is 0. None where too many do."""
    starts = shortest - LENGTH + 1
    count = len(data) - LENGTH + 1
    # What is not used of them takes no memory.
    most = len(data) // _MOST_PICKED + _CHUNK
    keys, indexes, done = np.empty(most, np.uint32), np.empty(most, np.uint32), 0
    for start in range(0, count, _CHUNK):
        end = min(start + _CHUNK, count)
        low = max(0, start - starts + 1)
        part = data[low : min(end + starts - 1, count)]
        smallest = np.zeros(len(part) + starts - 1, np.uint8)
        smallest[starts - 1 : len(part)] = _over_rows(np.minimum, part, starts)
        # The greatest of the smallest bytes of all rows that a window is in: no byte is below it.
        here = _over_rows(np.maximum, smallest, starts)[start - low :][: end - start]
        found = np.flatnonzero(here == data[start:end])
        stop = done + len(found)
        if stop > most:
            return None
        content = data[start : end + 7]
        if len(content) < end - start + 7:
            content = np.concatenate((content, np.zeros(7, np.uint8)))
        eight = eight_at_each(content)
        mixed = eight[found]
        mixed <<= np.uint64(64 - 8 * LENGTH)
        mixed *= np.uint64(_FACTOR)
        mixed >>= np.uint64(32)
        keys[done:stop] = mixed
        found += start
        indexes[done:stop] = found
        done = stop
    keys = keys[:done]
    keys &= np.uint32(0xFFFFFFFE)
    return keys, indexes[:done]


def _over_rows(of_two: Callable[[Bytes, Bytes], Bytes], data: Bytes, count: int) -> Bytes:
    """For each place the smallest or greatest of so many bytes from there on."""
    row, length = data, 1
    while length < count:
        more = min(length, count - length)
        row = of_two(row[:-more], row[more:])
        length += more
    return row
