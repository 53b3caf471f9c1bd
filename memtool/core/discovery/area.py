"""One stretch of addresses that all images define: what the search runs over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from memtool.core.discovery.evidence import (
    Bytes,
    Places,
    choose_counted,
    content_thresholds,
    is_erased,
    start_limits,
)
from memtool.core.discovery.register_algebra import bit_masks

_KEPT = 3
_RUN = 4
"""So many equal bytes beside a block are taken for erased space."""
_Key = TypeVar("_Key")
_Value = TypeVar("_Value")


@dataclass(frozen=True, slots=True)
class FixedField:
    """A place that may hold the stored number, whatever the block."""

    offset: int
    """From the area's start; may lie outside of the area."""
    stored: tuple[bytes, ...]
    """Its bytes in each of the area's images."""

    @property
    def says_nothing(self) -> bool:
        """Whether it is erased in all images."""
        return all(is_erased(stored) for stored in self.stored)

    @property
    def distinct(self) -> int:
        """How many different contents it has."""
        return len(set(self.stored))


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
        self._levels: dict[int, NDArray[np.int64]] = {}
        self.expected_after: dict[int, list[float]] = {}
        """For fields behind their block, by length: `expected_by_level` of one CRC."""
        self.pairs_by_field: dict[tuple[int, int], list[int]] = {}
        """For fields elsewhere, by offset and length: see `count_fixed_pairs`."""
        self.counted = self.images[list(choose_counted(self.images))]

    @property
    def count(self) -> int:
        """How many images there are."""
        return len(self.contents)

    @cached_property
    def masks(self) -> list[NDArray[np.int8]]:
        """`bit_masks` of each image."""
        return [bit_masks(image) for image in self.images]

    def thresholds(self, length: int, *, strict: bool = False) -> Places:
        """`content_thresholds` of the counted images, for fields of `length` bytes behind
        their block, or 0 for fields elsewhere; `strict` as in `proves_nothing`."""
        key = length, strict or not length
        if key not in self._thresholds:
            _make_room(self._thresholds)
            limits = [start_limits(image, length, strict=strict) for image in self.counted]
            self._thresholds[key] = content_thresholds(self.counted, limits)
        return self._thresholds[key]

    @cached_property
    def differing(self) -> NDArray[np.int64]:
        """Offsets at which not all images agree."""
        return np.flatnonzero((self.images != self.images[0]).any(axis=0))

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

    def stored_levels(self, length: int) -> NDArray[np.int64]:
        """How many different fields of `length` bytes the images have, at each offset."""
        if length not in self._levels:
            _make_room(self._levels)
            room = self.size - length + 1
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
        marks[_RUN:] += self._constant_runs
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
    while len(kept) >= _KEPT:
        del kept[next(iter(kept))]


def count_distinct(numbers: Sequence[NDArray[np.uint64]]) -> NDArray[np.int64]:
    """How many different numbers the images have, for each place."""
    ordered = np.sort(np.stack(numbers), axis=0)
    changes: NDArray[np.int64] = (ordered[1:] != ordered[:-1]).sum(axis=0, dtype=np.int64)
    return changes + 1


def _alignment_marks(base: int, count: int) -> NDArray[np.int8]:
    marks = np.zeros(count, np.int8)
    for step in (4, 16, 256):
        marks[-base % step :: step] += 1
    return marks
