"""All blocks whose sum, XOR, Fletcher or Adler value is stored, by the same join as CRCs.

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
- Images whose stored numbers are equal are one piece of evidence: permuted digits keep
  a sum. So are images that differ nowhere in block and field.
- A uniform stored number fits with 2^-width whatever the sum's spread. Numbers in tables
  and erased areas are not uniform: the same search with the fields taken from elsewhere
  measures what chance makes there.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from memtool.core.algorithms import Algorithm, Ending, Family
from memtool.core.discovery.area import Area, FixedField, count_distinct
from memtool.core.discovery.classes import Indexes, Keys, StartClasses
from memtool.core.discovery.collecting import (
    TIERS,
    Collector,
    Ends,
    NumberOrder,
    Search,
    number_orders,
)
from memtool.core.discovery.crc_search import expect_fixed
from memtool.core.discovery.evidence import count_pairs, expected_by_level
from memtool.core.discovery.results import Placement

_BATCH = 1 << 16
"""Ends worked on at a time where many places are tried."""
_SHIFTED = 1 << 13
_MOST_SHIFTS = 16
"""Fields are shifted often enough to look at so many, to measure what chance makes."""
_SAMPLES = 8
"""Where few fields hold numbers small enough for a sum, so many of them are tried everywhere."""
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
    """One for each way to store the sum."""

    @property
    def length(self) -> int:
        """Bytes of the stored number."""
        return self.width // 8


def group_sums(algorithms: Sequence[Algorithm]) -> tuple[SumFamily, ...]:
    """Everything among `algorithms` that is no CRC, by what is added.

    ``/TOTAL`` is left to `search_totals`.
    """
    groups: dict[tuple[Family, int, str], list[Algorithm]] = {}
    for algorithm in algorithms:
        if algorithm.family is Family.CRC or algorithm.ending is Ending.TOTAL:
            continue
        key = (algorithm.family, algorithm.width, algorithm.word_order or "")
        groups.setdefault(key, []).append(algorithm)
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
        fits = np.ones(len(stored[0]), bool)
        if not self._modulus and self.family.family is not Family.XOR:
            for prefix, numbers in zip(self._prefixes, stored, strict=True):
                fits &= _undo(algorithm.ending, numbers) & self._mask <= prefix[0][-2:].max()
        return np.flatnonzero(fits)

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


def _plain_bits(family: SumFamily, area: Area) -> tuple[float, ...]:
    """The bits that 1, 2, … images are worth."""
    return tuple(evidence_bits(family) * many for many in range(1, area.count + 1))


def search_sums_after_block(
    sides: SumSides, collector: Collector, *, word_swapped: bool
) -> Iterator[None]:
    """Report the blocks with their number right after them; yields after each piece of work."""
    family, area = sides.family, sides.area
    if area.size <= family.length:
        return
    positions = np.arange(area.size - family.length + 1)
    thresholds = area.thresholds(family.length, strict=True)
    limits = np.minimum(positions, thresholds[0][positions + family.length]).astype(np.int64)
    for order in number_orders(family.length, word_swapped=word_swapped):
        stored = [stored_numbers(image, family.length, order) for image in area.images]
        distinct = count_distinct(stored)
        for algorithm in family.algorithms:
            for odd_length in (False, True) if _pads(family) else (False,):
                yield
                keys = sides.end_keys(algorithm, positions, stored, odd_length=odd_length)
                matches = sides.starts.match(keys, limits)
                matched = positions[:0] if matches is None else matches.matched_ends
                null = _measured_chance(
                    sides, algorithm, positions, limits, stored, odd_length, matched
                )
                bits = _count_chance(area, family, limits, distinct, null, collector)
                ends = Ends(
                    search=Search(
                        algorithms=(algorithm.name,),
                        order=order,
                        placement=Placement.AFTER_BLOCK,
                        length=family.length,
                        bits=bits,
                        together=True,
                        linear=False,
                    ),
                    positions=positions,
                    fields=positions,
                    levels=distinct,
                )
                collector.offer(area, ends, matches, 1, limits)


def _pads(family: SumFamily) -> bool:
    return family.family is Family.FLETCHER and family.words


def _measured_chance(
    sides: SumSides,
    algorithm: Algorithm,
    positions: Indexes,
    limits: Indexes,
    stored: Sequence[Numbers],
    odd_length: bool,
    matched: Indexes,
) -> dict[int, float]:
    """Pairs that match with fields from elsewhere, on average, by different stored numbers.

    A true checksum fits elsewhere too, wherever a block has the same bytes that differ;
    so fields that did match, in several images, are not moved.
    """
    possible = sides.possible_fields(algorithm, stored)
    found_there = np.zeros(len(positions), bool)
    found_there[matched] = True
    if not len(possible):
        return {}
    if 2 * len(possible) < len(positions):
        chosen = possible[:: -(-len(possible) // _SAMPLES)]
        weight = len(possible) / len(chosen) / len(positions)
        sources = [np.full(len(positions), field) for field in chosen]
    else:
        count = min(_MOST_SHIFTS, max(2, _SHIFTED // len(positions)))
        weight = 1 / count
        shifts = [1 + turn * (len(positions) - 1) // (count + 1) for turn in range(1, count + 1)]
        sources = [np.roll(positions, shift) for shift in shifts]
    found: dict[int, float] = {}
    for source in sources:
        moved = [row[source] for row in stored]
        keys = sides.end_keys(algorithm, positions, moved, odd_length=odd_length)
        pairs = sides.starts.count(keys, limits)
        if pairs is None:
            continue
        hits, counts = pairs
        distinct = count_distinct([row[hits] for row in moved])
        free = (distinct == 1) | ~found_there[source[hits]]
        for number in np.unique(distinct):
            total = float(counts[(distinct == number) & free].sum())
            found[int(number)] = found.get(int(number), 0.0) + weight * total
    return found


def _count_chance(
    area: Area,
    family: SumFamily,
    limits: Indexes,
    distinct: NDArray[np.int64],
    measured: dict[int, float],
    collector: Collector,
) -> tuple[float, ...]:
    """Add what theory expects, or what was measured where that is more.

    Returns:
        The bits that 1, 2, … different stored numbers are worth: fewer where chance made
        more matches than it should.
    """
    one = evidence_bits(family)
    ends = np.arange(len(limits)) + family.length
    theories = expected_by_level(
        area.thresholds(family.length, strict=True), ends, limits, distinct, one
    )
    share = 0.5 if family.words else 1.0
    bits: list[float] = []
    for number, all_starts in enumerate(theories, 1):
        theory = share * all_starts
        found = measured.get(number, 0.0) if theory else 0.0
        loss = math.log2(found / theory) if found > theory else 0.0
        bits.append(max(one * number - loss, 1.0))
        collector.chance.add(bits[-1], max(theory, found))
    bits += [one * number for number in range(len(bits) + 1, area.count + 1)]
    return tuple(bits)


def search_sums_fixed_fields(
    sides: SumSides,
    fields: Sequence[FixedField],
    placement: Placement,
    collector: Collector,
    *,
    word_swapped: bool,
    skip_adjacent: bool,
) -> Iterator[None]:
    """Report the blocks whose number lies at one of `fields`; yields after each piece of work."""
    family, area = sides.family, sides.area
    step = max(1, _BATCH // area.size)
    for begin in range(0, len(fields), step):
        batch = _FieldBatch(area, fields[begin : begin + step], family.length, skip_adjacent)
        for order in number_orders(family.length, word_swapped=word_swapped):
            stored = batch.stored_numbers(order)
            for algorithm in family.algorithms:
                for odd_length in (False, True) if _pads(family) else (False,):
                    yield
                    ends = Ends(
                        search=Search(
                            algorithms=(algorithm.name,),
                            order=order,
                            placement=placement,
                            length=family.length,
                            bits=_plain_bits(family, area),
                            together=False,
                            linear=False,
                        ),
                        positions=batch.positions,
                        fields=batch.offsets,
                        levels=batch.levels,
                    )
                    keys = sides.end_keys(algorithm, batch.positions, stored, odd_length=odd_length)
                    matches = sides.starts.match(keys, batch.limits, batch.floors, batch.places)
                    collector.offer(area, ends, matches, 1, batch.limits, batch.stored_at)
                    for bits, expected in batch.expected(family):
                        collector.chance.add(bits, expected, tier=TIERS[placement])


class _FieldBatch:
    """Every end with each of some fields, as arrays of one length."""

    def __init__(
        self, area: Area, fields: Sequence[FixedField], length: int, skip_adjacent: bool
    ) -> None:
        self._area, self._fields, self._length = area, fields, length
        everywhere = np.arange(1, area.size + 1)
        positions = np.tile(everywhere, len(fields))
        places = np.repeat(np.arange(len(fields)), area.size)
        offsets = np.array([field.offset for field in fields])[places]
        behind = positions >= offsets + length + 1
        outside = behind | (positions < offsets + (0 if skip_adjacent else 1))
        self.positions, self.places = positions[outside], places[outside]
        self.offsets = offsets[outside]
        self.floors = np.where(behind[outside], np.maximum(self.offsets + length, 0), 0)
        block_limits = area.thresholds(0)[0][self.positions]
        self.limits = np.minimum(self.positions, block_limits).astype(np.int64)
        self.levels = np.array([field.distinct for field in fields])[self.places]

    def stored_numbers(self, order: NumberOrder) -> list[Numbers]:
        """For each image the number that goes with each end."""
        return [
            np.array([order.number(field.stored[row]) for field in self._fields], np.uint64)[
                self.places
            ]
            for row in range(self._area.count)
        ]

    def stored_at(self, end: int) -> tuple[bytes, ...]:
        """The field's bytes that go with an end."""
        return self._fields[int(self.places[end])].stored

    def expected(self, family: SumFamily) -> Iterator[tuple[float, float]]:
        """Bits and chance matches of each field, for one algorithm."""
        one = evidence_bits(family)
        share = 0.5 if family.words else 1.0
        for field in self._fields:
            yield one * field.distinct, share * expect_fixed(self._area, field, self._length, one)


CONSTANT_TOTALS: dict[tuple[Family, int], tuple[int, ...]] = {
    (Family.SUM, 8): (0x00, 0xFF),
    (Family.WORD_SUM, 16): (0x0000, 0xFFFF, 0xBABA),
}
"""Totals that blocks with their field inside are known to make: zero-sum blocks as in
VESA E-EDID and IPMI FRU; all ones, common practice, no source; 0xBABA of network cards
(``NVM_SUM`` in the Linux driver e1000e)."""


def search_totals(
    sides: SumSides, totals: Sequence[tuple[Algorithm, int]], collector: Collector
) -> Iterator[None]:
    """Report the blocks that add up to a total, field inside; yields after each piece of work.

    Args:
        sides: Of one family.
        totals: A ``/TOTAL`` algorithm and the total to look for.
        collector: Takes the results.
    """
    family, area = sides.family, sides.area
    positions = np.arange(area.size + 1)
    limits = np.minimum(positions, area.thresholds(0)[0]).astype(np.int64)
    # A block is longer than its field.
    limits = np.minimum(limits, np.maximum(positions - family.length, 0))
    pairs = count_pairs(area.thresholds(0), positions, limits)
    for algorithm, total in totals:
        yield
        ends = Ends(
            search=Search(
                algorithms=(algorithm.name,),
                order=NumberOrder(None, False, tuple(range(family.length))),
                placement=Placement.INSIDE,
                length=0,
                bits=_plain_bits(family, area),
                together=True,
                total=total,
                linear=False,
            ),
            positions=positions,
            fields=positions,
            levels=np.full(area.size + 1, area.count),
        )
        goal = [np.full(area.size + 1, total, np.uint64) for _ in range(area.count)]
        matches = sides.starts.match(sides.end_keys(algorithm, positions, goal), limits)
        collector.offer(area, ends, matches, 1, limits)
        share = 0.5 if family.words else 1.0
        for contents, count in enumerate(pairs, 1):
            bits = family.width * contents
            collector.chance.add(bits, share * count * 2.0**-bits)
