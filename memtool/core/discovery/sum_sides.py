"""Starts and ends of one sum as keys for the join, by the sides that its object makes.

Sums of 16-bit words need start and end of one parity, so the parity is part of the key.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from memtool.core.checksums.algorithms import Algorithm
from memtool.core.checksums.sums import Ending, Sum
from memtool.core.discovery.area import Area
from memtool.core.discovery.classes import Indexes, Keys, StartClasses, repeated
from memtool.core.discovery.collecting import NumberOrder, Search
from memtool.core.discovery.field_ends import EndsToTry
from memtool.core.discovery.fixed_fields import Numbers
from memtool.core.discovery.results import Placement
from memtool.core.discovery.sum_drifts import SumStarts, mixed, sum_ends, sum_starts

_LOOK = 64
"""So many keys tell whether it is worth comparing all."""

StoredNumbers = NDArray[np.unsignedinteger[Any]]
"""Of any width: every byte order of every image is kept at once."""


@dataclass(frozen=True, slots=True)
class SumGroup:
    """One sum with all that may be stored of it."""

    sum: Sum
    algorithms: tuple[Algorithm, ...]
    """One for each way to store it, without ``/TOTAL``, which `total_search` looks for."""


def group_sums(algorithms: Sequence[Algorithm]) -> tuple[SumGroup, ...]:
    """Everything among `algorithms` that is no CRC, by what is added."""
    groups: dict[Sum, list[Algorithm]] = {}
    for algorithm in algorithms:
        if algorithm.sum is None:
            continue
        members = groups.setdefault(algorithm.sum, [])
        if algorithm.ending is not Ending.TOTAL:
            members.append(algorithm)
    return tuple(SumGroup(one, tuple(members)) for one, members in groups.items())


@dataclass(frozen=True, slots=True)
class Worth:
    """Bits of 1, 2, … different stored numbers."""

    mixed: tuple[float, ...]
    copies: tuple[float, ...]
    """Where so few bytes of the block differ between the images that they may be copied."""

    def search(
        self,
        algorithm: Algorithm,
        order: NumberOrder,
        placement: Placement,
        *,
        length: int,
        together: bool = False,
        total: int | None = None,
    ) -> Search:
        """A search for one sum whose numbers are worth so much."""
        return Search(
            algorithms=(algorithm.name,),
            order=order,
            placement=placement,
            length=length,
            bits=self.mixed,
            bits_of_copies=self.copies,
            together=together,
            linear=False,
            total=total,
        )


class SumSides:
    """Starts and ends of one sum over one area."""

    def __init__(self, group: SumGroup, area: Area) -> None:
        """Compute the prefix sums of all images."""
        self.group, self.sum, self.area = group, group.sum, area
        self.worth: dict[tuple[str, bool], Worth] = {}
        """As measured; by algorithm and odd length."""
        self._likely: dict[bool, tuple[tuple[bytes, bytes, bytes | None], EndsToTry]] = {}
        """The last answer of `likely_ends`, and to what; by odd length."""
        self._places = np.arange(area.size + 1, dtype=np.int64)
        self._prefixes = [self.sum.prefix(image) for image in area.images]

    @cached_property
    def plain_bits(self) -> tuple[float, ...]:
        """The bits of 1, 2, … different stored numbers, where chance makes no more than it
        should."""
        return tuple(self.sum.bits * many for many in range(1, self.area.count + 1))

    def worth_of(self, name: str, *, odd_length: bool = False) -> Worth:
        """What was measured for an algorithm; nothing is lost where nothing was."""
        return self.worth.get((name, odd_length), Worth(self.plain_bits, self.plain_bits))

    @cached_property
    def _start_keys(self) -> Keys:
        """Those of the starts at offsets 0 … n."""
        return self._key(self.start_sides(), self._places & 1)

    @cached_property
    def starts(self) -> StartClasses:
        """All starts at offsets 0 … n - 1."""
        # Offset n is no start, only an end.
        return StartClasses(self._start_keys[:-1])

    @cached_property
    def _again(self) -> NDArray[np.bool_]:
        """Whether the key of the start at each offset comes again, now and then where not."""
        return repeated(self._start_keys)

    def likely(self, keys: Keys, behind: Indexes) -> Indexes:
        """The ends that may have a start somewhere, and few others.

        Args:
            keys: Those of `end_keys`.
            behind: Where each block ends, the number behind it included. No start lies there.
        """
        own = slice(0, _LOOK)
        # A number that the sum adds like any other element makes a total of zero: each end then
        # has the key of the start behind it, always. Only keys that come again tell anything.
        if (keys[own] == self._start_keys[behind[own]]).all() and np.array_equal(
            keys, self._start_keys[behind]
        ):
            return np.flatnonzero(self._again[behind])
        return self.starts.likely(keys)

    def end_keys(
        self,
        algorithm: Algorithm,
        positions: Indexes,
        stored: Sequence[StoredNumbers],
        *,
        odd_length: bool = False,
    ) -> Keys:
        """The key that the start must have, for each end.

        Args:
            algorithm: One of the group's.
            positions: Where the blocks end.
            stored: For each image the number that goes with each end.
            odd_length: The block has an odd number of bytes, the last one padded.
        """
        values = (
            self.sum.end_sides(
                prefix, image, positions, _undo(algorithm.ending, numbers), odd_length=odd_length
            )
            for prefix, image, numbers in zip(self._prefixes, self.area.images, stored, strict=True)
        )
        return self._key(values, (positions + odd_length) & 1)

    def start_sides(self) -> Iterator[Numbers]:
        """For each image the side of a start at each offset, the last one included."""
        # One at a time: of many large images each list of sides takes as much as all else.
        return (self.sum.start_sides(prefix) for prefix in self._prefixes)

    @cached_property
    def _starts_apart(self) -> SumStarts:
        """For `likely_ends`, whatever is stored."""
        return sum_starts(self.sum, self.area, self.start_sides())

    @cached_property
    def _ends_apart(self) -> list[Numbers]:
        """For `likely_ends`: how far each image but the first lies from that one, at ends whose
        block adds up to nothing."""
        return self._bare_ends(odd_length=False)

    @cached_property
    def _odd_ends_apart(self) -> list[Numbers]:
        """The same for blocks whose last byte is padded; of no use at offset 0."""
        return self._bare_ends(odd_length=True)

    def _bare_ends(self, *, odd_length: bool) -> list[Numbers]:
        offsets = self._starts_apart.offsets
        nothing = np.zeros(len(offsets), np.uint64)
        # The padded byte lies before the end, and before offset 0 there is none.
        places = np.maximum(offsets, 1) if odd_length else offsets
        first, *others = (
            self.sum.end_sides(prefix, image, places, nothing, odd_length=odd_length)
            for prefix, image in zip(self._prefixes, self.area.images, strict=True)
        )
        return [self.sum.drift(side, first) for side in others]

    def likely_ends(
        self,
        algorithm: Algorithm,
        goals: Sequence[StoredNumbers],
        *,
        odd_length: bool = False,
        inside: Indexes | None = None,
    ) -> EndsToTry | None:
        """The ends worth a join with these numbers, one a place; None where all of them are.

        Args:
            algorithm: One of the group's.
            goals: For each image what is stored at each place.
            odd_length: See `end_keys`.
            inside: Where each place is, if the block holds its number.
        """
        if self.area.count < 2:
            return None
        plain = np.stack([_undo(algorithm.ending, numbers) for numbers in goals])
        # Differences alone are asked about: of both complements, and of all totals, they are the
        # same.
        apart = np.stack([self.sum.drift(row, plain[0]) for row in plain])
        same = (plain == plain[0]).all(axis=0)
        asked = apart.tobytes(), same.tobytes(), None if inside is None else inside.tobytes()
        if odd_length not in self._likely or self._likely[odd_length][0] != asked:
            some = sum_ends(
                self.sum,
                self._starts_apart,
                self._odd_ends_apart if odd_length else self._ends_apart,
                apart[1:],
                same,
                odd_length=odd_length,
                inside=inside,
            )
            self._likely[odd_length] = asked, some
        return self._likely[odd_length][1]

    def possible_fields(
        self, algorithm: Algorithm, stored: Sequence[StoredNumbers]
    ) -> NDArray[np.bool_]:
        """For each place whether some block could add up to what is stored, in every image."""
        return self.fits((_undo(algorithm.ending, numbers) for numbers in stored), len(stored[0]))

    def fits(self, sums: Iterable[Numbers], count: int) -> NDArray[np.bool_]:
        """Which of `count` sums, given for each image, are no larger than what the whole area adds
        up to.

        Where sums wrap around more than once, all of them are.
        """
        fits = np.ones(count, bool)
        if not self.sum.wraps:
            mask = np.uint64((1 << self.sum.width) - 1)
            for prefix, numbers in zip(self._prefixes, sums, strict=True):
                # Prefixes only grow. The last two are those of either parity.
                fits &= numbers & mask <= prefix[0][-2:].max()
        return fits

    def _key(self, values: Iterator[Numbers], parity: Indexes) -> Keys:
        """One key of the sides of every image, and of the parity where it matters."""
        width, count, words = self.sum.width, self.area.count, self.sum.element > 1
        key = next(values)
        # One bit more for the parity. Where all fits, no two tuples share a key.
        if width * count + 1 <= 64:
            for place, value in enumerate(values, 1):
                key = key | value << np.uint64(width * place)
            if words:
                key = key | parity.astype(np.uint64) << np.uint64(width * count)
            return key
        for value in values:
            # Too wide: mixed. Two tuples may meet in one key, and confirming tells them apart.
            key = mixed(key, value)
        return key * np.uint64(2) + parity.astype(np.uint64) if words else key


def _undo(ending: Ending | None, stored: StoredNumbers) -> Numbers:
    numbers = stored.astype(np.uint64, copy=False)
    match ending:
        case Ending.ONES:
            # Bits above the width do not matter: the sides are cut to it.
            return ~numbers
        case Ending.TWOS:
            return np.uint64(0) - numbers
        case _:
            return numbers


def stored_numbers(image: NDArray[np.uint8], length: int, order: NumberOrder) -> StoredNumbers:
    """The number at each offset that has room, in the narrowest type that holds it."""
    count = len(image) - length + 1
    kind = np.dtype(f"u{1 << (length - 1).bit_length()}")
    total = np.zeros(count, kind)
    for place, significance in enumerate(order.significance):
        total |= image[place : place + count].astype(kind) << kind.type(8 * significance)
    return total
