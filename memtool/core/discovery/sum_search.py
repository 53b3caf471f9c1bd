"""All blocks whose sum, XOR, Fletcher or Adler value is stored, or that make a known total.

Facts
-----
- Images whose stored numbers are equal are one piece of evidence: permuted digits keep a sum.
- Where chance makes more than a uniform stored number would (`measured_chance`), sums are
  worth less.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from memtool.core.checksums.algorithms import Family
from memtool.core.discovery.area import Area, FixedField
from memtool.core.discovery.classes import Indexes, Matches
from memtool.core.discovery.collecting import (
    TIERS,
    Collector,
    Ends,
    NumberOrder,
    Search,
    number_orders,
)
from memtool.core.discovery.crc_search import expect_fixed
from memtool.core.discovery.evidence import expected_by_level
from memtool.core.discovery.measured_chance import MeasuredChance, SumEnds, measure_chance
from memtool.core.discovery.results import Placement
from memtool.core.discovery.sum_sides import (
    Numbers,
    SumFamily,
    SumSides,
    Worth,
    evidence_bits,
    stored_numbers,
)

_BATCH = 1 << 16
"""Ends worked on at a time where many places are tried."""


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
    levels = area.stored_levels(family.length)
    orders = number_orders(family.length, word_swapped=word_swapped)
    numbers = [
        [stored_numbers(image, family.length, order) for image in area.images] for order in orders
    ]
    asked = SumEnds(positions=positions, limits=limits, levels=levels)
    for algorithm in family.algorithms:
        for odd_length in (False, True) if _pads(family) else (False,):
            found: list[Matches | None] = []
            nulls: list[MeasuredChance] = []
            for stored in numbers:
                yield
                keys = sides.end_keys(algorithm, positions, stored, odd_length=odd_length)
                matches = sides.starts.match(keys, limits)
                found.append(matches)
                matched = positions[:0] if matches is None else matches.matched_ends
                yield
                null = measure_chance(
                    sides, algorithm, asked, stored, matched, odd_length=odd_length
                )
                nulls.append(null)
            worth = _count_chance(area, family, limits, levels, nulls, collector)
            sides.worth[algorithm.name, odd_length] = worth
            for order, matches in zip(orders, found, strict=True):
                ends = Ends(
                    search=Search(
                        algorithms=(algorithm.name,),
                        order=order,
                        placement=Placement.AFTER_BLOCK,
                        length=family.length,
                        bits=worth.mixed,
                        bits_of_copies=worth.copies,
                        together=True,
                        linear=False,
                    ),
                    positions=positions,
                    fields=positions,
                    levels=levels,
                )
                collector.offer(area, ends, matches, 1, limits)


def _pads(family: SumFamily) -> bool:
    return family.family is Family.FLETCHER and family.words


def _count_chance(
    area: Area,
    family: SumFamily,
    limits: Indexes,
    distinct: NDArray[np.int64],
    measured: Sequence[MeasuredChance],
    collector: Collector,
) -> Worth:
    """Add what theory expects, or what was measured where that is more, for each byte order.

    A number that is small in one order is small in others too, and the few fields that are
    tell little about one order alone: what is lost in one of them is lost in all.

    Returns:
        What 1, 2, … different stored numbers are worth: less where chance made more matches
        than it should.
    """
    one = evidence_bits(family)
    ends = np.arange(len(limits)) + family.length
    theories = expected_by_level(
        area.thresholds(family.length, strict=True), ends, limits, distinct, one
    )
    share = 0.5 if family.words else 1.0
    kinds: list[tuple[float, ...]] = []
    for founds, least in (
        ([null.mixed for null in measured], share),
        ([null.copies for null in measured], 0.0),
    ):
        bits: list[float] = []
        for number, all_starts in enumerate(theories, 1):
            theory = share * all_starts
            found = [null.get(number, 0.0) if theory else 0.0 for null in founds]
            loss = math.log2(max(found) / theory) if max(found) > theory else 0.0
            bits.append(max(one * number - loss, 1.0))
            counted = sum(max(least * all_starts, each) for each in found)
            collector.chance.add(bits[-1], counted)
        bits += [one * number for number in range(len(bits) + 1, area.count + 1)]
        kinds.append(tuple(bits))
    return Worth(mixed=kinds[0], copies=kinds[1])


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
            numbers = batch.numbers(order)
            stored = [row[batch.places] for row in numbers]
            for algorithm in family.algorithms:
                possible = bool(len(sides.possible_fields(algorithm, numbers)))
                for odd_length in (False, True) if _pads(family) else (False,):
                    yield
                    plain = _plain_bits(family, area)
                    worth = sides.worth.get((algorithm.name, odd_length), Worth(plain, plain))
                    ends = Ends(
                        search=Search(
                            algorithms=(algorithm.name,),
                            order=order,
                            placement=placement,
                            length=family.length,
                            bits=worth.mixed,
                            bits_of_copies=worth.copies,
                            together=False,
                            linear=False,
                        ),
                        positions=batch.positions,
                        fields=batch.offsets,
                        levels=batch.levels,
                    )
                    if possible:
                        keys = sides.end_keys(
                            algorithm, batch.positions, stored, odd_length=odd_length
                        )
                        matches = sides.starts.match(keys, batch.limits, batch.floors, batch.places)
                        collector.offer(area, ends, matches, 1, batch.limits, batch.stored_at)
                    for level, expected in batch.expected(family):
                        bits = worth.mixed[level - 1]
                        loss = plain[level - 1] - bits
                        collector.chance.add(bits, expected * 2**loss, tier=TIERS[placement])


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

    def numbers(self, order: NumberOrder) -> list[Numbers]:
        """For each image the number in each field."""
        return [
            np.array([order.number(field.stored[row]) for field in self._fields], np.uint64)
            for row in range(self._area.count)
        ]

    def stored_at(self, end: int) -> tuple[bytes, ...]:
        """The field's bytes that go with an end."""
        return self._fields[int(self.places[end])].stored

    def expected(self, family: SumFamily) -> Iterator[tuple[int, float]]:
        """Different stored numbers and chance matches of each field, for one algorithm."""
        one = evidence_bits(family)
        share = 0.5 if family.words else 1.0
        for field in self._fields:
            yield field.distinct, share * expect_fixed(self._area, field, self._length, one)
