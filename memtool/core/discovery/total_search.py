"""Blocks that make a known total together with the number inside them.

Facts
-----
- Where the number is one element of the sum, in its own place and order, it adds itself,
  wherever it lies: S_j - S_i = total. So it is for bytes in 8 bits, XOR, and 16-bit words
  in 16 bits. Start and end are ambiguous wherever bytes add nothing.
- A number N of several elements, at a place p, adds N in place of the sum B of its bytes:
  S_j - S_i = total - N + B. The place must be fixed; start and end are then separable.
- With the number at either end of the block, totals of 0 and of all ones are two's and
  one's complements, which `sum_search` finds.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from memtool.core.checksums.algorithms import Algorithm
from memtool.core.checksums.sums import Ending, Sum
from memtool.core.discovery.area import Area
from memtool.core.discovery.collecting import (
    TIERS,
    Collector,
    Ends,
    NumberOrder,
    Search,
    number_orders,
)
from memtool.core.discovery.evidence import count_pairs
from memtool.core.discovery.field_ends import every_end
from memtool.core.discovery.fixed_fields import FixedField, FixedFields
from memtool.core.discovery.results import Placement
from memtool.core.discovery.sum_sides import SumSides, Worth
from memtool.core.discovery.total_groups import offer_totals


def search_totals(
    sides: SumSides, algorithm: Algorithm, collector: Collector, *, tried: int = 0
) -> Iterator[None]:
    """Report the blocks that make a total, field anywhere inside; yields after each piece of work.

    Only for sums whose number adds itself wherever it lies; nothing for others.

    Args:
        sides: Of one sum.
        algorithm: Its ``/TOTAL``; where it cancels, itself.
        collector: Takes the results.
        tried: Totals of this width that are searched, all together; what chance drowns is left
            out. 0: nothing is.
    """
    one, area = sides.sum, sides.area
    if not one.adds_itself:
        return
    positions = np.arange(area.size + 1)
    # A block is longer than its field.
    longest = np.maximum(positions - one.length, 0)
    thresholds = [np.minimum(row, longest).astype(np.int64) for row in area.thresholds(0)]
    pairs = count_pairs(area.thresholds(0), positions, longest)
    share = 1 / one.element
    made = [share * count * 2.0 ** (-one.width * at) for at, count in enumerate(pairs, 1)]
    drowned = collector.leave_out_drowned(
        Placement.INSIDE, one.width, [tried * each for each in made]
    )
    asked = [each for each in range(len(thresholds), 0, -1) if each not in drowned]
    for total in one.totals if asked else ():
        search = Search(
            algorithms=(algorithm.name,),
            order=NumberOrder(None, False, tuple(range(one.length))),
            placement=Placement.INSIDE,
            length=0,
            bits=tuple(one.width * many for many in range(1, area.count + 1)),
            together=True,
            total=total,
            linear=one.cancels,
        )
        goal = [np.full(area.size + 1, total, np.uint64) for _ in range(area.count)]
        keys = sides.end_keys(algorithm, positions, goal)
        likely = sides.likely(keys, positions)
        lowest = None if asked[0] == len(thresholds) else thresholds[asked[0]]
        joined = sides.starts.join(keys, thresholds[asked[-1] - 1], lowest, likely)
        # The nearest start of all may leave out the bytes that differ. So each number of contents
        # is asked for by itself, the most first: few ends have starts for fewer.
        for contents in asked:
            yield
            limits = thresholds[contents - 1]
            floors = thresholds[contents] if contents < len(thresholds) else None
            matches = None if joined is None else joined.match(limits, floors)
            if matches is None:
                continue
            collector.pairs += matches.tried_pairs
            offer_totals(collector, search, area, matches, limits, contents)
        for contents in asked:
            collector.chance.add(one.width * contents, made[contents - 1])


def search_totals_of_fields(
    sides: SumSides,
    algorithm: Algorithm,
    fields: FixedFields,
    placement: Placement,
    collector: Collector,
    *,
    word_swapped: bool,
) -> Iterator[None]:
    """Report the blocks that make a total with one of `fields` inside; yields after each piece
    of work.

    Args:
        sides: Of one sum.
        algorithm: Its ``/TOTAL``; where it cancels, itself.
        fields: All of the sum's length. Those outside of the area are left out.
        placement: What to call these places. The image's end is the end of its block, and
            tried by `sum_search`; sums that `search_totals` tries everywhere are tried at
            `GIVEN` alone.
        collector: Takes the results.
        word_swapped: Try exchanged words as well.
    """
    one, area = sides.sum, sides.area
    if one.adds_itself and placement is not Placement.GIVEN:
        return
    if placement is Placement.IMAGE_END:
        return
    inside = fields.where((fields.offsets >= 0) & (fields.offsets <= area.size - one.length))
    if not len(inside):
        return
    for order in _orders(one, word_swapped=word_swapped):
        for total in one.totals:
            worth = _worth(sides, algorithm, total)
            # Some block must leave so much to the total, in every image.
            rests = (np.uint64(total) - numbers for numbers in inside.numbers(order))
            possible = inside.where(sides.fits(rests, len(inside)))
            if not len(possible):
                continue
            yield
            search = worth.search(algorithm, order, placement, length=one.length, total=total)
            _join(sides, algorithm, possible, search, collector)


def _join(
    sides: SumSides,
    algorithm: Algorithm,
    fields: FixedFields,
    search: Search,
    collector: Collector,
) -> None:
    """The ends behind each field that are worth it, with the starts before it."""
    area, step = sides.area, sides.sum.element
    # A complement right before or behind its block was looked for as such.
    apart = 0 if search.total not in (0, (1 << sides.sum.width) - 1) else step
    first = search.length + apart
    goals = [
        np.array([_goal(sides.sum, each, row, search) for each in fields.fields], np.uint64)
        for row in range(area.count)
    ]
    _count_chance(area, sides.sum, fields, search, collector)
    likely = sides.likely_ends(algorithm, goals, inside=fields.offsets)
    batches = every_end(area, np.arange(len(fields))) if likely is None else [likely]
    for some in batches:
        offsets = fields.offsets[some.places]
        behind = (some.ends >= offsets + first) & ((some.ends - offsets) % step == 0)
        places, positions, offsets = some.places[behind], some.ends[behind], offsets[behind]
        if not len(places):
            continue
        # The start lies at or before the field, or the block would not hold it.
        latest = np.minimum(offsets - apart + 1, positions - search.length)
        limits = np.minimum(area.thresholds(0)[0][positions], latest).astype(np.int64)
        ends = Ends(
            search=search, positions=positions, fields=offsets, levels=fields.distinct[places]
        )
        keys = sides.end_keys(algorithm, positions, [row[places] for row in goals])
        matches = sides.starts.match(keys, limits, None, places)
        collector.offer(area, ends, matches, 1, limits, fields.stored_of(places))


def _count_chance(
    area: Area, one: Sum, fields: FixedFields, search: Search, collector: Collector
) -> None:
    behind = fields.offsets + search.length
    at_least = [sums.behind(behind, fields.offsets + 1) for sums in area.limit_sums]
    # Start, field and end lie at whole words.
    share = 1 / one.element**2
    for level, made in fields.expect(at_least, one.bits).items():
        worth = search.bits[level - 1]
        loss = one.bits * level - worth
        collector.chance.add(worth, share * made * 2.0**loss, tier=TIERS[search.placement])


def _orders(one: Sum, *, word_swapped: bool) -> Iterator[NumberOrder]:
    """The orders that a total's number may have: of words, that of the words alone."""
    for order in number_orders(one.length, word_swapped=word_swapped):
        own = not order.word_swapped and order.byte_order == one.word_order
        if one.element == 1 or own:
            yield order


def _worth(sides: SumSides, algorithm: Algorithm, total: int) -> Worth:
    """What was measured for the complement that the number is."""
    ending = Ending.TWOS if total == 0 else Ending.ONES
    name = algorithm.name.replace(f"/{Ending.TOTAL.upper()}", f"/{ending.upper()}")
    return sides.worth_of(name)


def _goal(one: Sum, field: FixedField, row: int, search: Search) -> int:
    """What the block with the field in it must add up to, in one image."""
    stored = field.stored[row]
    return one.goal(search.total or 0, search.order.number(stored), stored)
