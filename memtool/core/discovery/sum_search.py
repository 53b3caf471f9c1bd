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

from memtool.core.checksums.algorithms import Algorithm
from memtool.core.checksums.sums import Sum
from memtool.core.discovery.area import Area
from memtool.core.discovery.classes import Indexes, Matches
from memtool.core.discovery.collecting import (
    TIERS,
    Collector,
    Ends,
    number_orders,
    order_batches,
)
from memtool.core.discovery.crc_search import expect_fixed
from memtool.core.discovery.evidence import are_told, expected_by_level
from memtool.core.discovery.field_batches import FieldBatch
from memtool.core.discovery.field_ends import EndsToTry, every_end
from memtool.core.discovery.fixed_fields import FixedFields, Numbers
from memtool.core.discovery.measured_chance import (
    MeasuredChance,
    SumEnds,
    measure_chance,
    varied_limits,
)
from memtool.core.discovery.results import Placement
from memtool.core.discovery.sum_sides import SumSides, Worth, stored_numbers

_BATCH = 1 << 16
"""Ends worked on at a time where many places are tried."""


def search_sums_after_block(
    sides: SumSides, collector: Collector, *, word_swapped: bool, tried: int = 0
) -> Iterator[None]:
    """Report the blocks with their number right after them; yields after each piece of work.

    Args:
        sides: Of one sum.
        collector: Takes the results.
        word_swapped: Try exchanged words as well.
        tried: As in `crc_search.search_after_block`.
    """
    one, area = sides.sum, sides.area
    if area.size <= one.length:
        return
    positions = np.arange(area.size - one.length + 1)
    limits = area.start_limits_behind(one.length, strict=True)
    levels = area.stored_levels(one.length)
    orders = number_orders(one.length, word_swapped=word_swapped)
    numbers = [
        [stored_numbers(image, one.length, order) for image in area.images] for order in orders
    ]
    asked = SumEnds(
        positions=positions, limits=limits, levels=levels, varied=varied_limits(sides, positions)
    )
    # Block and field are one content, which ends behind the field.
    theories = expected_by_level(
        area.thresholds(one.length, strict=True), positions + one.length, limits, levels, one.bits
    )
    drowned = collector.leave_out_drowned(
        Placement.AFTER_BLOCK, one.width, [tried * each for each in theories]
    )
    alive = np.flatnonzero(are_told(levels, len(theories), drowned) & (limits > 0))
    for algorithm in sides.group.algorithms:
        for odd_length in (False, True) if one.pads else (False,):
            found: list[Matches | None] = []
            nulls: list[MeasuredChance] = []
            for stored in numbers:
                yield
                matches = None
                if len(alive):
                    own = [row[alive] for row in stored]
                    keys = sides.end_keys(algorithm, alive, own, odd_length=odd_length)
                    likely = sides.likely(keys, alive + one.length)
                    matches = sides.starts.match(keys, limits[alive], likely=likely)
                found.append(matches)
                matched = alive[:0] if matches is None else alive[matches.matched_ends]
                yield
                null = measure_chance(
                    sides, algorithm, asked, stored, matched, odd_length=odd_length
                )
                # All orders before any is reported: the worst of them says what a sum is worth
                # here.
                nulls.append(null)
            worth = _count_chance(area, one, theories, drowned, nulls, collector)
            sides.worth[algorithm.name, odd_length] = worth
            for order, matches in zip(orders, found, strict=True):
                ends = Ends(
                    search=worth.search(
                        *(algorithm, order, Placement.AFTER_BLOCK),
                        length=one.length,
                        together=True,
                    ),
                    positions=alive,
                    fields=alive,
                    levels=levels[alive],
                )
                collector.offer(area, ends, matches, 1, limits[alive])


def _count_chance(
    area: Area,
    one: Sum,
    theories: Sequence[float],
    drowned: Sequence[int],
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
    # Words: only starts of the end's parity were tried.
    share = 1 / one.element
    kinds: list[tuple[float, ...]] = []
    for founds, least in (
        ([null.mixed for null in measured], share),
        ([null.copies for null in measured], 0.0),
    ):
        bits: list[float] = []
        for number, all_starts in enumerate(theories, 1):
            theory = share * all_starts
            found = [null.get(number, 0.0) if theory else 0.0 for null in founds]
            # Twice as many matches as there should be are worth one bit less.
            loss = math.log2(max(found) / theory) if max(found) > theory else 0.0
            bits.append(max(one.bits * number - loss, 1.0))
            counted = sum(max(least * all_starts, each) for each in found)
            if number not in drowned:
                collector.chance.add(bits[-1], counted)
        # Contents are counted for eight images at most; more numbers than that keep their full
        # worth.
        bits += [one.bits * number for number in range(len(bits) + 1, area.count + 1)]
        kinds.append(tuple(bits))
    return Worth(mixed=kinds[0], copies=kinds[1])


def search_sums_fixed_fields(
    sides: SumSides,
    fields: FixedFields,
    placement: Placement,
    collector: Collector,
    *,
    word_swapped: bool,
    skip_adjacent: bool,
) -> Iterator[None]:
    """Report the blocks whose number lies at one of `fields`; yields after each piece of work."""
    orders = number_orders(sides.sum.length, word_swapped=word_swapped)
    for some_orders in order_batches(orders, sides.area):
        numbers = list(fields.numbers_in(some_orders))
        for algorithm, odd_length, possible in _readings(sides, numbers):
            worth = sides.worth_of(algorithm.name, odd_length=odd_length)
            for some in _ends_to_try(sides, algorithm, numbers, possible, odd_length):
                yield
                batch = FieldBatch(
                    sides.area, fields, some, some_orders, skip_adjacent=skip_adjacent
                )
                stored = [row[batch.columns] for row in numbers]
                keys = sides.end_keys(algorithm, batch.positions, stored, odd_length=odd_length)
                for order, own in batch.by_order():
                    search = worth.search(algorithm, order, placement, length=sides.sum.length)
                    matches = batch.match(sides.starts, keys, own)
                    batch.offer(collector, search, matches, 1, own)
            _count_fixed_chance(sides, fields, placement, worth, len(some_orders), collector)


def _readings(
    sides: SumSides, numbers: Sequence[Numbers]
) -> Iterator[tuple[Algorithm, bool, Indexes]]:
    """Each algorithm, whether the block's length is odd where that counts, and the columns of
    numbers that it may have made."""
    for algorithm in sides.group.algorithms:
        possible = np.flatnonzero(sides.possible_fields(algorithm, numbers))
        for odd_length in (False, True) if sides.sum.pads else (False,):
            yield algorithm, odd_length, possible


def _count_fixed_chance(
    sides: SumSides,
    fields: FixedFields,
    placement: Placement,
    worth: Worth,
    orders: int,
    collector: Collector,
) -> None:
    one = sides.sum
    for level, expected in expect_fixed(sides.area, fields, one.length, one.bits).items():
        # Worth less, and made more often by as much: both follow from the same loss.
        bits = worth.mixed[level - 1]
        made = orders * expected * 2 ** (sides.plain_bits[level - 1] - bits) / one.element
        collector.chance.add(bits, made, tier=TIERS[placement])


def _ends_to_try(
    sides: SumSides,
    algorithm: Algorithm,
    numbers: Sequence[Numbers],
    possible: Indexes,
    odd_length: bool,
) -> Iterator[EndsToTry]:
    """Ends with the columns of their numbers, in batches."""
    if not len(possible):
        return
    goals = [row[possible] for row in numbers]
    likely = sides.likely_ends(algorithm, goals, odd_length=odd_length)
    if likely is None:
        yield from every_end(sides.area, possible)
        return
    for begin in range(0, len(likely.ends), _BATCH):
        part = slice(begin, begin + _BATCH)
        yield EndsToTry(possible[likely.places[part]], likely.ends[part])
