"""One stretch of addresses that all images define: what the search runs over."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from itertools import combinations
from threading import Lock
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from memtool.core.discovery.classes import Indexes
from memtool.core.discovery.evidence import (
    Bytes,
    Levels,
    Places,
    choose_counted,
    content_thresholds,
    start_limits,
)
from memtool.core.discovery.register_algebra import bit_masks

_KEPT = 3
_APART = 8
"""Images are apart where no more than one byte in so many is the same in two of them."""
_LONG_RUN = 16
_RUN = 4
"""So many equal bytes beside a block are taken for erased space."""
_Key = TypeVar("_Key")
_Value = TypeVar("_Value")


class LimitSums:
    """How many starts the ends of a stretch have, given the limit of each end.

    Limits never fall from one end to the next, which makes every sum of them a look-up.
    """

    def __init__(self, limits: NDArray[np.int64]) -> None:
        """Take the starts below which each end counts."""
        self._limits = limits
        self._sums = np.concatenate([[0], np.cumsum(limits, dtype=np.int64)])

    def of(self, last: Indexes) -> Indexes:
        """Of the ends 0 … `last`, for each of these."""
        sums: Indexes = self._sums[last + 1]
        return sums

    def behind(self, first: Indexes, cap: Indexes) -> Indexes:
        """Of the ends from `first` on, with starts below `cap`, for each of these."""
        # From `full` on the limits are at or above the cap, so each end has `cap` starts there.
        full = np.maximum(np.searchsorted(self._limits, cap), first)
        sums: Indexes = self._sums[full] - self._sums[first] + cap * (len(self._limits) - full)
        return sums

    def from_floor(self, floor: Indexes) -> Indexes:
        """Of the ends behind `floor`, with starts from `floor` on, for each of these."""
        # Ends whose limit is not above the floor would count negative starts.
        first = np.maximum(np.searchsorted(self._limits, floor), floor + 1)
        first = np.minimum(first, len(self._limits))
        sums: Indexes = self._sums[-1] - self._sums[first] - floor * (len(self._limits) - first)
        return sums


class Area:
    """The contents of one stretch, with all that many searches share."""

    def __init__(self, base: int, contents: Sequence[bytes], numbers: Sequence[int]) -> None:
        """Take the bytes of each image and its number.

        Args:
            base: Address of the first byte.
            contents: All of one length; of images that differ here or elsewhere.
            numbers: As people count the images, from 1.
        """
        self.base, self.contents, self.numbers = base, tuple(contents), tuple(numbers)
        self.images: Bytes = np.stack([np.frombuffer(image, np.uint8) for image in contents])
        self.size = self.images.shape[1]
        self._thresholds: dict[tuple[int, bool], Places] = {}
        self._levels: dict[int, Levels] = {}
        self._masks: dict[int, NDArray[np.int8]] = {}
        self.expected_after: dict[int, list[float]] = {}
        """For fields behind their block, by length: `expected_by_level` of one CRC."""
        self._lock = Lock()
        """What is made for one piece of work is made once, though several may ask for it."""
        self.counted = self.images[list(choose_counted(self.images))]

    @property
    def count(self) -> int:
        """How many images there are."""
        return len(self.contents)

    def masks(self, row: int) -> NDArray[np.int8]:
        """`bit_masks` of an image, made when first asked for: eight times its size."""
        with self._lock:
            if row not in self._masks:
                self._masks[row] = bit_masks(self.images[row])
            return self._masks[row]

    def thresholds(self, length: int, *, strict: bool = False) -> Places:
        """`content_thresholds` of the counted images, for fields of `length` bytes behind
        their block, or 0 for fields elsewhere; `strict` as in `proves_nothing`."""
        key = length, strict or not length
        with self._lock:
            if key not in self._thresholds:
                _make_room(self._thresholds)
                limits = [start_limits(image, length, strict=strict) for image in self.counted]
                self._thresholds[key] = content_thresholds(self.counted, limits)
            return self._thresholds[key]

    def start_limits_behind(self, length: int, *, strict: bool = False) -> NDArray[np.int64]:
        """For each end with room for a field of `length` bytes behind it, the offset below which
        starts lie before it and begin to prove something; `strict` as in `thresholds`."""
        positions = np.arange(self.size - length + 1)
        limits: NDArray[np.int64] = np.minimum(
            positions, self.thresholds(length, strict=strict)[0][length:]
        )
        return limits

    @cached_property
    def limit_sums(self) -> list[LimitSums]:
        """For fields elsewhere: how many starts the ends have, by least contents."""
        places = np.arange(self.size + 1)
        return [LimitSums(np.minimum(row, places)) for row in self.thresholds(0)]

    @cached_property
    def word_starts(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Offsets at which a difference of sums may change: of bytes, and of words at either
        parity."""
        reaches = (range(1, 2), range(1, 4))
        found = []
        for step, reach in enumerate(reaches, 1):
            changes = np.zeros(self.size + 4, bool)
            # The first offset of each parity stands for all before the first change.
            changes[:step] = True
            for each in reach:
                # A byte moves the prefixes behind it: of bytes the next one alone, of words those
                # of both parities, and the padded ones.
                changes[self.differing + each] = True
            found.append(np.flatnonzero(changes[: self.size + 1]))
        return found[0], found[1]

    @cached_property
    def differing(self) -> NDArray[np.int64]:
        """Offsets at which not all images agree."""
        return np.flatnonzero((self.images != self.images[0]).any(axis=0))

    @cached_property
    def is_apart(self) -> bool:
        """Whether nearly every byte that differs at all differs between any two images."""
        differing = self.images[:, self.differing]
        return all(
            _APART * np.count_nonzero(one == other) <= len(self.differing)
            for one, other in combinations(differing, 2)
        )

    def contents_at(
        self,
        starts: NDArray[np.int64],
        ends: NDArray[np.int64],
        length: int,
        *,
        strict: bool,
    ) -> NDArray[np.int64]:
        """How many contents each ``[start, end)`` has, up to eight; see `thresholds`."""
        total = np.zeros(len(starts), np.int64)
        for row in self.thresholds(length, strict=strict):
            total += starts < row[ends]
        return total

    def stored_levels(self, length: int) -> Levels:
        """How many different fields of `length` bytes the images have, at each offset."""
        with self._lock:
            if length not in self._levels:
                _make_room(self._levels)
                room = self.size - length + 1
                # Every number is put together high byte first: only whether they differ is asked.
                rows = []
                for image in self.images:
                    number = np.zeros(room, np.uint64)
                    for place in range(length):
                        number = number << np.uint64(8) | image[place : place + room]
                    rows.append(number)
                self._levels[length] = count_distinct(rows)
            return self._levels[length]

    def same_content(self, low: int, high: int) -> bool:
        """Whether all images agree between two offsets, given in any order."""
        low, high = sorted((low, high))
        first, last = np.searchsorted(self.differing, [low, high])
        return bool(first == last)

    def count_differing(self, low: int, high: int) -> int:
        """At how many offsets from `low` to before `high` not all images agree."""
        first, last = np.searchsorted(self.differing, [low, high])
        return int(last - first)

    @cached_property
    def start_marks(self) -> NDArray[np.int8]:
        """How much each offset looks like a block's start."""
        marks = _alignment_marks(self.base, self.size + 1)
        marks[0] += 3
        # A run that ends right before the start, so the same array, shifted by its length.
        marks[_RUN:] += self._constant_runs
        return marks

    def most_natural_start(self, starts: NDArray[np.int64]) -> int:
        """Of starts that mean the same the one that people would choose.

        The image's first byte, an aligned address, the edge of erased space; of equals the
        last one, which makes the shortest block. Bytes that differ between the images are
        never taken in by that: they may be a block of their own that adds up to nothing.

        Args:
            starts: Ascending.
        """
        place = int(np.searchsorted(self.differing, starts[-1]))
        if place:
            # Only starts between the same differing bytes stand for the same block.
            starts = starts[starts > self.differing[place - 1]]
        marks = self._likely_starts[starts]
        # `argmax` gives the first of equals: turned round, the last one.
        return int(starts[len(starts) - 1 - int(marks[::-1].argmax())])

    def most_natural_end(self, ends: NDArray[np.int64]) -> int:
        """The same for the end of a block with its field: of equals the first one."""
        return int(ends[int(self.end_marks[ends].argmax())])

    @cached_property
    def _likely_starts(self) -> NDArray[np.int8]:
        """`start_marks`, less what erased space before or behind a start takes from it.

        Nobody lets a block begin inside erased space, or with much of it.
        """
        same = (self.images[:, 1:] == self.images[:, :-1]).all(axis=0)
        long = np.zeros(self.size + 1, bool)
        if len(same) >= _LONG_RUN:
            sums = np.concatenate([[0], np.cumsum(same)])
            # So many pairs of equal neighbours in a row, from each offset on.
            long[: len(sums) - _LONG_RUN] = sums[_LONG_RUN:] - sums[:-_LONG_RUN] == _LONG_RUN
        marks = self.start_marks - 6 * long.astype(np.int8)
        # A start in the middle of equal bytes could as well be the next one or the last.
        marks[1 : self.size] -= 2 * same.astype(np.int8)
        return marks

    @cached_property
    def end_marks(self) -> NDArray[np.int8]:
        """How much each offset looks like the end of a block with its field."""
        marks = _alignment_marks(self.base, self.size + 1)
        marks[-1] += 3
        marks[: self.size + 1 - _RUN] += 2 * self._constant_runs
        return marks

    @cached_property
    def _constant_runs(self) -> NDArray[np.int8]:
        """Whether the four bytes from each offset on are equal in all images."""
        room = self.size + 1 - _RUN
        if room <= 0:
            return np.zeros(max(0, room), np.int8)
        same = np.ones(room, bool)
        for image in self.images:
            for step in range(1, _RUN):
                same &= image[:room] == np.concatenate([image, image[:1]])[step : room + step]
        same[-1] &= self.size >= _RUN
        return same.astype(np.int8)


def _make_room(kept: dict[_Key, _Value]) -> None:
    """Searches go by width, so what was made for other widths is not asked for again soon."""
    # A dict keeps the order in which keys came: the first one is the oldest.
    while len(kept) >= _KEPT:
        del kept[next(iter(kept))]


def count_distinct(numbers: Sequence[NDArray[np.uint64]]) -> Levels:
    """How many different numbers the images have, for each place."""
    found = np.ones(len(numbers[0]), np.uint16)
    # An image counts where its number is none of those before it: sorts of a few numbers each
    # take far longer.
    for row, own in enumerate(numbers[1:], 1):
        new = own != numbers[0]
        for other in numbers[1:row]:
            new &= own != other
        found += new
    return found


def _alignment_marks(base: int, count: int) -> NDArray[np.int8]:
    marks = np.zeros(count, np.int8)
    for step in (4, 16, 256):
        # The first offset whose address is a multiple of the step.
        marks[-base % step :: step] += 1
    return marks
