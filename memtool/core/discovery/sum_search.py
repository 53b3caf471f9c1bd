"""All blocks whose sum, XOR, Fletcher or Adler value is stored, or that make a known total.

Facts
-----
- Images whose stored numbers are equal are one piece of evidence: permuted digits keep a sum.
- A uniform stored number fits with 2^-width whatever the sum's spread. Numbers in tables
  and erased areas are not uniform: the same search with the fields taken from elsewhere
  measures what chance makes there.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from memtool.core.checksums.algorithms import Algorithm, Family
from memtool.core.discovery.area import Area, FixedField, count_distinct
from memtool.core.discovery.classes import Indexes
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
from memtool.core.discovery.sum_sides import (
    Numbers,
    SumFamily,
    SumSides,
    evidence_bits,
    stored_numbers,
)

_BATCH = 1 << 16
"""Ends worked on at a time where many places are tried."""
_SHIFTED = 1 << 13
_MOST_SHIFTS = 16
"""Fields are shifted often enough to look at so many, to measure what chance makes."""
_SAMPLES = 16
"""Where few fields hold numbers small enough for a sum, so many of them are tried everywhere."""


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
                sides.worth[algorithm.name, order, odd_length] = bits
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
    possible = possible[limits[possible] > 0]
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
                    plain = _plain_bits(family, area)
                    bits = sides.worth.get((algorithm.name, order, odd_length), plain)
                    ends = Ends(
                        search=Search(
                            algorithms=(algorithm.name,),
                            order=order,
                            placement=placement,
                            length=family.length,
                            bits=bits,
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
                    for level, expected in batch.expected(family):
                        worth, loss = bits[level - 1], plain[level - 1] - bits[level - 1]
                        collector.chance.add(worth, expected * 2**loss, tier=TIERS[placement])


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

    def expected(self, family: SumFamily) -> Iterator[tuple[int, float]]:
        """Different stored numbers and chance matches of each field, for one algorithm."""
        one = evidence_bits(family)
        share = 0.5 if family.words else 1.0
        for field in self._fields:
            yield field.distinct, share * expect_fixed(self._area, field, self._length, one)


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
