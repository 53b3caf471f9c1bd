"""Sums split into a side of the start and a side of the end, by the same join as CRCs.

Facts
-----
- With prefix sums S, the block ``[i, j)`` sums to S_j - S_i. What is stored gives that sum
  back through g, which undoes a complement: S_i = S_j - g(stored_j). Sums of 16-bit words
  need start and end of one parity, so the parity is part of the key.
- Fletcher keeps c0 = Σ b_m and c1 = Σ (j - m)·b_m. With M_k = Σ_{m<k} m·b_m, given that
  the first sum fits: M_i = M_j + c1 - j·c0. The join is on the pair.
- Adler starts c0 at 1, which adds 1 to it and the length to c1: the start's side is then
  M_i - i, and its end's side has c0 - 1 in the first sum, c0 in the second.
- Modulo 255 and 65535 the stored FF.. is another way to write 00: reduce it first.
- Fletcher-32 pads an odd block with a zero byte: its last word is then its last byte.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from memtool.core.checksums.algorithms import Algorithm, Ending, Family
from memtool.core.checksums.sums import ByteOrder
from memtool.core.discovery.area import Area
from memtool.core.discovery.classes import Indexes, Keys, StartClasses
from memtool.core.discovery.collecting import (
    NumberOrder,
)

_MIX = np.uint64(0xD6E8FEB86659FD93)

Numbers = NDArray[np.uint64]


@dataclass(frozen=True, slots=True)
class SumFamily:
    """What sums of one kind have in common: how prefixes are made and compared."""

    width: int
    family: Family
    words: bool
    """16-bit words are added, so starts and ends have a parity."""
    little_words: bool
    algorithms: tuple[Algorithm, ...]
    """One for each way to store the sum, without ``/TOTAL``."""

    @property
    def length(self) -> int:
        """Bytes of the stored number."""
        return self.width // 8

    @property
    def word_order(self) -> ByteOrder | None:
        """Byte order of the words, where words are added."""
        if not self.words:
            return None
        return "little" if self.little_words else "big"


def group_sums(algorithms: Sequence[Algorithm]) -> tuple[SumFamily, ...]:
    """Everything among `algorithms` that is no CRC, by what is added.

    ``/TOTAL`` makes a family, and is left to `total_search`.
    """
    groups: dict[tuple[Family, int, str], list[Algorithm]] = {}
    for algorithm in algorithms:
        if algorithm.family is Family.CRC:
            continue
        key = (algorithm.family, algorithm.width, algorithm.word_order or "")
        members = groups.setdefault(key, [])
        if algorithm.ending is not Ending.TOTAL:
            members.append(algorithm)
    return tuple(
        SumFamily(
            width=width,
            family=family,
            words=family is Family.WORD_SUM or (family is Family.FLETCHER and width == 32),
            little_words=order == "little" or family is Family.FLETCHER,
            algorithms=tuple(members),
        )
        for (family, width, order), members in groups.items()
    )


@dataclass(frozen=True, slots=True)
class Worth:
    """Bits of 1, 2, … different stored numbers."""

    mixed: tuple[float, ...]
    copies: tuple[float, ...]
    """Where so few bytes of the block differ between the images that they may be copied."""


class SumSides:
    """Starts and ends of one family over one area."""

    def __init__(self, family: SumFamily, area: Area) -> None:
        """Compute the prefix sums of all images."""
        self.family, self.area = family, area
        self._mask = np.uint64((1 << family.width) - 1)
        half = family.width // 2
        match family.family:
            case Family.FLETCHER:
                self._modulus = (1 << half) - 1
            case Family.ADLER:
                self._modulus = 65521
            case _:
                self._modulus = 0
        self._places = np.arange(area.size + 1, dtype=np.int64)
        self.worth: dict[tuple[str, bool], Worth] = {}
        """As measured; by algorithm and odd length."""
        self._prefixes = [self._prefix(image) for image in area.images]

    @cached_property
    def starts(self) -> StartClasses:
        """All starts at offsets 0 … n - 1."""
        values = [self._start_values(prefix)[:-1] for prefix in self._prefixes]
        return StartClasses(self._key(values, self._places[:-1] & 1))

    def end_keys(
        self,
        algorithm: Algorithm,
        positions: Indexes,
        stored: Sequence[Numbers],
        *,
        odd_length: bool = False,
    ) -> Keys:
        """The key that the start must have, for each end.

        Args:
            algorithm: One of the family's.
            positions: Where the blocks end.
            stored: For each image the number that goes with each end.
            odd_length: The block has an odd number of bytes, the last one padded.
        """
        values = [
            self._end_values(algorithm, prefix, image, positions, numbers, odd_length)
            for prefix, image, numbers in zip(self._prefixes, self.area.images, stored, strict=True)
        ]
        return self._key(values, (positions + odd_length) & 1)

    def possible_fields(self, algorithm: Algorithm, stored: Sequence[Numbers]) -> Indexes:
        """The places whose stored numbers some block could add up to, in every image."""
        return np.flatnonzero(self.fits([_undo(algorithm.ending, numbers) for numbers in stored]))

    def fits(self, sums: Sequence[Numbers]) -> NDArray[np.bool_]:
        """Which sums, given for each image, are no larger than what the whole area adds up to.

        Where sums wrap around more than once, all of them are.
        """
        fits = np.ones(len(sums[0]), bool)
        if not self._modulus and self.family.family is not Family.XOR:
            for prefix, numbers in zip(self._prefixes, sums, strict=True):
                fits &= numbers & self._mask <= prefix[0][-2:].max()
        return fits

    def _prefix(self, image: NDArray[np.uint8]) -> tuple[Numbers, Numbers]:
        """First and second prefix sum; the second is zero where there is none."""
        data = image.astype(np.int64)
        nothing = np.zeros(1, np.uint64)
        if self.family.family is Family.XOR:
            side = np.zeros(len(data) + 1, np.uint64)
            np.bitwise_xor.accumulate(image, out=side[1:], dtype=np.uint64)
            return side, nothing
        if self.family.words:
            data = self._words(data)
        first = _running(data, step=2 if self.family.words else 1)
        if not self._modulus:
            return first.astype(np.uint64), nothing
        index = self._places[:-1] >> 1 if self.family.words else self._places[:-1]
        second = _running(data * index % self._modulus, step=2 if self.family.words else 1)
        return first.astype(np.uint64), second.astype(np.uint64)

    def _words(self, data: NDArray[np.int64]) -> NDArray[np.int64]:
        """The 16-bit word at each offset; the last byte has none."""
        following = np.append(data[1:], 0)
        words = data + (following << 8) if self.family.little_words else (data << 8) + following
        words[-1] = 0
        return words

    def _start_values(self, prefix: tuple[Numbers, Numbers]) -> Numbers:
        first, second = prefix
        if not self._modulus:
            return first & self._mask
        low = first % np.uint64(self._modulus)
        high = second.astype(np.int64)
        if self.family.family is Family.ADLER:
            high = high - self._places
        return self._pair(low, high % self._modulus)

    def _end_values(
        self,
        algorithm: Algorithm,
        prefix: tuple[Numbers, Numbers],
        image: NDArray[np.uint8],
        positions: Indexes,
        numbers: Numbers,
        odd_length: bool,
    ) -> Numbers:
        first, second = prefix
        if self.family.family is Family.XOR:
            return first[positions] ^ numbers
        if not self._modulus:
            block = _undo(algorithm.ending, numbers) & self._mask
            return (first[positions] - block) & self._mask
        half = np.uint64(self.family.width // 2)
        low = (numbers & ((np.uint64(1) << half) - np.uint64(1))).astype(np.int64)
        high = (numbers >> half).astype(np.int64)
        base = low - 1 if self.family.family is Family.ADLER else low
        word = positions >> 1 if self.family.words else positions
        head = positions - odd_length
        sums = first[head].astype(np.int64)
        weighted = second[head].astype(np.int64)
        if odd_length:
            # The padded word lies at the index of its first byte.
            last = image[head].astype(np.int64)
            word = (positions + 1) >> 1
            sums = sums + last
            weighted = weighted + last * ((head >> 1) % self._modulus)
        start_low = (sums - base) % self._modulus
        start_high = (
            weighted + high - word % self._modulus * (low % self._modulus)
        ) % self._modulus
        return self._pair(start_low.astype(np.uint64), start_high)

    def _pair(self, low: Numbers, high: NDArray[np.int64]) -> Numbers:
        return low | high.astype(np.uint64) << np.uint64(self.family.width // 2)

    def _key(self, values: Sequence[Numbers], parity: Indexes) -> Keys:
        width = self.family.width
        key = values[0]
        if width * len(values) + 1 <= 64:
            for place, value in enumerate(values[1:], 1):
                key = key | value << np.uint64(width * place)
            if self.family.words:
                key = key | parity.astype(np.uint64) << np.uint64(width * len(values))
            return key
        for value in values[1:]:
            key = (key ^ key >> np.uint64(29)) * _MIX + value
        return key * np.uint64(2) + parity.astype(np.uint64) if self.family.words else key


def _running(data: NDArray[np.int64], *, step: int) -> NDArray[np.int64]:
    """side[k] = the sum of data[k - step], data[k - 2·step], …"""
    side = np.zeros(len(data) + 1, np.int64)
    for phase in range(step):
        part = data[phase::step]
        target = side[phase + step :: step]
        target[:] = np.cumsum(part)[: len(target)]
    return side


def _undo(ending: Ending | None, numbers: Numbers) -> Numbers:
    match ending:
        case Ending.ONES:
            return ~numbers
        case Ending.TWOS:
            return np.uint64(0) - numbers
        case _:
            return numbers


def stored_numbers(image: NDArray[np.uint8], length: int, order: NumberOrder) -> Numbers:
    """The number at each offset that has room."""
    count = len(image) - length + 1
    total = np.zeros(count, np.uint64)
    for place, significance in enumerate(order.significance):
        total |= image[place : place + count].astype(np.uint64) << np.uint64(8 * significance)
    return total


def evidence_bits(family: SumFamily) -> float:
    """Bits that one matching image is worth."""
    match family.family:
        case Family.FLETCHER:
            return 2 * float(np.log2((1 << family.width // 2) - 1))
        case Family.ADLER:
            return 2 * float(np.log2(65521))
        case _:
            return family.width
