"""Which bytes are filler: constant runs, and windows in which hardly anything changes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from memtool.core.comparing.equal_bytes import count_equal, equal_after, equal_before
from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from memtool.core.comparing.equal_bytes import Words
    from memtool.core.runs import Bytes, Mask

    Numbers = NDArray[np.int64]

SHORTEST = 16
"""Bytes of a window, and of the shortest block."""
_BUSY = 4
"""How many bytes of a window must differ from the one before, and from the 2nd and 4th before."""
_LONG_CONSTANT = 4
"""Equal bytes at a block's end that are taken for filler."""


def busy_windows(data: Bytes) -> Mask:
    """For each window of `data`, whether it is more than filler, and has none at its ends."""
    count = max(len(data) - SHORTEST + 1, 0)
    busy = np.ones(count, np.bool_)
    for distance in (1, 2, 4):
        changes = (data[distance:] != data[:-distance]).view(np.uint8)
        busy &= _sums_of_rows(changes, SHORTEST - distance)[:count] >= _BUSY
        if distance == 1:
            ends = _sums_of_rows(changes, _LONG_CONSTANT - 1)
            busy &= (ends[:count] > 0) & (ends[SHORTEST - _LONG_CONSTANT :][:count] > 0)
    return busy


def _sums_of_rows(numbers: Bytes, count: int) -> Bytes:
    """For each place the sum of so many numbers from there on, 255 at most."""
    length = max(len(numbers) - count + 1, 0)
    sums = np.zeros(length, np.uint8)
    # Added up in twos, fours and eights: on whole arrays much faster than one by one.
    row, of, first = numbers, 1, 0
    while True:
        if count & of:
            sums += row[first : first + length]
            first += of
        if 2 * of > count:
            return sums
        row = row[:-of] + row[of:]
        of *= 2


class BusyWindows:
    """Near some places of data, which windows are more than filler."""

    def __init__(self, data: Bytes, at: Numbers, before: int) -> None:
        """`at`: sorted places, one at least; `before`: how far before them windows may begin."""
        self._at = at
        self._begins = np.maximum(at - before, 0)
        self._ends = np.minimum(at + SHORTEST, len(data))
        row = before + SHORTEST
        low, end = int(self._begins[0]), int(self._ends[-1])
        if end - low < row * len(at):
            # They share what is around them.
            around, self._lows = data[low:end], np.full(len(at), low)
        else:
            # What is around each, one behind the other.
            places = at[:, np.newaxis] + np.arange(-before, SHORTEST)
            around = data.take(places.reshape(-1), mode="clip")
            self._lows = at - before - row * np.arange(len(at))
        sums = np.concatenate([[0], np.cumsum(busy_windows(around), dtype=np.int32)])
        self._sums = np.concatenate([sums, np.repeat(sums[-1:], SHORTEST)])
        """How many begin before each place."""

    def around(self) -> Mask:
        """For each place, whether one is near it."""
        return self.between(np.arange(len(self._at)), self._begins, self._ends)

    def between(self, numbers: Numbers, begins: Numbers, ends: Numbers) -> Mask:
        """Whether one that is near the place of this number lies between two others."""
        low, high = self._begins[numbers], self._ends[numbers]
        begins = np.minimum(np.maximum(begins, low), high)
        # Between two that are too near each other there is none.
        stops = np.maximum(np.minimum(ends, high) - SHORTEST + 1, begins)
        lows = self._lows[numbers]
        are_busy: Mask = self._sums[stops - lows] > self._sums[begins - lows]
        return are_busy


def without_filler_each(
    data: Words, starts: Numbers, ends: Numbers, most: int
) -> tuple[Numbers, Numbers]:
    """`without_filler` of many, each of `most` bytes at most, which is a multiple of eight.

    Args:
        data: The eight bytes at every place.
        starts: First index of each.
        ends: Index behind each.
        most: Bytes.
    """
    run = count_equal(data, data, starts, starts + 1, most=most)
    run = np.minimum(run, ends - starts - 1) + 1
    starts = starts + np.where(run >= _LONG_CONSTANT, run, 0)
    run = count_equal(data, data, ends, ends - 1, most=most, back=True)
    run = np.minimum(run, ends - starts - 1) + 1
    return starts, ends - np.where(run >= _LONG_CONSTANT, run, 0)


def without_filler(data: bytes, start: int, end: int) -> tuple[int, int]:
    """`start` and `end` moved inwards over constant runs."""
    # Compared with itself one byte further on: as long as they agree, all bytes are the same.
    run = equal_after(data, data, start, start + 1, end - start - 1) + 1
    start += run if run >= _LONG_CONSTANT else 0
    run = equal_before(data, data, end, end - 1, end - start - 1) + 1
    return start, end - (run if run >= _LONG_CONSTANT else 0)
