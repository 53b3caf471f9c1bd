"""Places that may hold the stored number, whatever the block: one by one, and as arrays."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from memtool.core.discovery.classes import Indexes
from memtool.core.discovery.collecting import NumberOrder
from memtool.core.discovery.evidence import Levels, is_erased

Numbers = NDArray[np.uint64]


@dataclass(frozen=True, slots=True)
class FixedField:
    """A place that may hold the stored number, whatever the block."""

    offset: int
    """From the area's start; may lie outside of the area."""
    stored: tuple[bytes, ...]
    """Its bytes in each of the area's images."""
    distinct: int
    """How many different contents it has."""

    @classmethod
    def of(cls, offset: int, stored: tuple[bytes, ...]) -> FixedField:
        """The field with these contents."""
        return cls(offset, stored, len(set(stored)))

    @property
    def says_nothing(self) -> bool:
        """Whether it is erased in all images."""
        return all(is_erased(stored) for stored in self.stored)

    @property
    def is_mixed(self) -> bool:
        """Whether its bytes differ as those of a CRC do, where the images' numbers differ.

        One byte in 256 is the same in two different numbers, one in 65,536 in three.
        """
        same = sum(len(set(column)) == 1 for column in zip(*self.stored, strict=True))
        # A field that is the same in all images is no number that differs, however short it is.
        return same <= (1 if self.distinct == 2 else 0) and same < len(self.stored[0])


class FixedFields:
    """Some fields of one length. All searches of a width ask the same of them."""

    def __init__(self, fields: Iterable[FixedField]) -> None:
        """Take fields of as many images and bytes each."""
        self.fields = tuple(fields)
        self.expected: dict[float, dict[int, float]] = {}
        """Chance matches with them in their area, by bits and how many different contents."""
        self._numbers: dict[tuple[int, ...], list[Numbers]] = {}
        self._parts: dict[frozenset[int], tuple[FixedFields, FixedFields]] = {}

    def __len__(self) -> int:
        """How many."""
        return len(self.fields)

    def where(self, chosen: NDArray[np.bool_]) -> FixedFields:
        """Those of them."""
        return self if chosen.all() else FixedFields(self.fields[at] for at in chosen.nonzero()[0])

    def parted(self, levels: Iterable[int]) -> tuple[FixedFields, FixedFields]:
        """Those with some numbers of different contents, and the others."""
        key = frozenset(levels)
        if key not in self._parts:
            own = np.isin(self.distinct, list(key))
            self._parts[key] = self.where(own), self.where(~own)
        return self._parts[key]

    def expect(self, at_least: Sequence[Indexes], bits: float) -> dict[int, float]:
        """Chance matches with one of the fields, by how many different contents it has.

        Args:
            at_least: For 1, 2, … contents how many blocks with so many or more are tried with each
                field.
            bits: That a number is worth.
        """
        made, distinct = np.zeros(len(self)), self.distinct.astype(float)
        nothing = np.zeros(len(self), np.int64)
        for contents, (here, more) in enumerate(pairwise([*at_least, nothing]), 1):
            made += (here - more) * 2.0 ** (-bits * np.maximum(contents, distinct))
        by_level = np.bincount(self.distinct, weights=made)
        return {int(level): float(by_level[level]) for level in np.unique(self.distinct)}

    @cached_property
    def offsets(self) -> Indexes:
        """Of each, from the area's start."""
        return np.array([field.offset for field in self.fields], np.int64)

    @cached_property
    def distinct(self) -> Levels:
        """How many different contents each has."""
        return np.array([field.distinct for field in self.fields], np.uint16)

    @cached_property
    def by_images(self) -> dict[tuple[int, ...], Indexes]:
        """By the first images, three at most, whose contents all differ there: the fields."""
        found: dict[tuple[int, ...], list[int]] = {}
        for place, field in enumerate(self.fields):
            firsts = sorted(map(field.stored.index, set(field.stored)))
            found.setdefault(tuple(firsts[:3]), []).append(place)
        return {images: np.array(places) for images, places in found.items()}

    def stored_of(self, places: Indexes) -> Callable[[int], tuple[bytes, ...]]:
        """Tells what is stored at each of `places`, by its turn among them."""
        return lambda turn: self.fields[int(places[turn])].stored

    def numbers(self, order: NumberOrder) -> list[Numbers]:
        """For each image the number in each field."""
        if order.significance not in self._numbers:
            found = []
            for contents in zip(*(field.stored for field in self.fields), strict=True):
                stored = np.frombuffer(b"".join(contents), np.uint8)
                columns = stored.reshape(len(contents), -1).T.astype(np.uint64)
                number = np.zeros(len(contents), np.uint64)
                for column, place in zip(columns, order.significance, strict=True):
                    number |= column << np.uint64(8 * place)
                found.append(number)
            self._numbers[order.significance] = found
        return self._numbers[order.significance]

    def numbers_in(self, orders: Sequence[NumberOrder]) -> Numbers:
        """The number of each image (row) in each field, in one order after the other."""
        return np.concatenate([np.stack(self.numbers(order)) for order in orders], axis=1)
