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

from collections.abc import Iterator, Sequence

import numpy as np

from memtool.core.checksums.algorithms import Algorithm, Ending, Family
from memtool.core.discovery.area import Area, FixedField
from memtool.core.discovery.collecting import (
    TIERS,
    Collector,
    Ends,
    NumberOrder,
    Search,
    number_orders,
)
from memtool.core.discovery.evidence import count_pairs
from memtool.core.discovery.results import Placement
from memtool.core.discovery.sum_sides import SumFamily, SumSides, Worth, evidence_bits
from memtool.core.discovery.total_groups import offer_totals

_BATCH = 1 << 16
"""Ends worked on at a time where many places are tried."""
_CARD_TOTAL = 0xBABA


def totals_of(family: SumFamily) -> tuple[int, ...]:
    """Totals that blocks with their field inside are known to make.

    Zero as in VESA E-EDID and IPMI FRU; all ones, common practice, no source; 0xBABA of
    network cards (``NVM_SUM`` in the Linux driver e1000e). XOR has no complement.
    """
    if family.family is Family.XOR:
        return (0,)
    ones = (1 << family.width) - 1
    return (0, ones, _CARD_TOTAL) if _adds_itself(family) and family.width == 16 else (0, ones)


def search_totals(sides: SumSides, algorithm: Algorithm, collector: Collector) -> Iterator[None]:
    """Report the blocks that make a total, field anywhere inside; yields after each piece of work.

    Only for families whose number adds itself wherever it lies; nothing for others.

    Args:
        sides: Of one family.
        algorithm: The family's ``/TOTAL``; for XOR itself.
        collector: Takes the results.
    """
    family, area = sides.family, sides.area
    if not _adds_itself(family):
        return
    positions = np.arange(area.size + 1)
    # A block is longer than its field.
    longest = np.maximum(positions - family.length, 0)
    thresholds = [np.minimum(row, longest).astype(np.int64) for row in area.thresholds(0)]
    pairs = count_pairs(area.thresholds(0), positions, longest)
    share = 0.5 if family.words else 1.0
    for total in totals_of(family):
        search = Search(
            algorithms=(algorithm.name,),
            order=NumberOrder(None, False, tuple(range(family.length))),
            placement=Placement.INSIDE,
            length=0,
            bits=tuple(family.width * many for many in range(1, area.count + 1)),
            together=True,
            total=total,
            linear=family.family is Family.XOR,
        )
        goal = [np.full(area.size + 1, total, np.uint64) for _ in range(area.count)]
        keys = sides.end_keys(algorithm, positions, goal)
        # The nearest start of all may leave out the bytes that differ.
        for contents in range(len(thresholds), 0, -1):
            yield
            matches = sides.starts.match(keys, thresholds[contents - 1])
            if matches is None:
                continue
            if contents == 1:
                collector.pairs += matches.tried_pairs
            offer_totals(collector, search, area, matches, thresholds[contents - 1], contents)
        for contents, count in enumerate(pairs, 1):
            bits = family.width * contents
            collector.chance.add(bits, share * count * 2.0**-bits)


def search_totals_of_fields(
    sides: SumSides,
    algorithm: Algorithm,
    fields: Sequence[FixedField],
    placement: Placement,
    collector: Collector,
    *,
    word_swapped: bool,
) -> Iterator[None]:
    """Report the blocks that make a total with one of `fields` inside; yields after each piece
    of work.

    Args:
        sides: Of one family.
        algorithm: The family's ``/TOTAL``; for XOR itself.
        fields: All of the family's length. Those outside of the area are left out.
        placement: What to call these places. The image's end is the end of its block, and
            tried by `sum_search`; families that `search_totals` tries everywhere are tried at
            `GIVEN` alone.
        collector: Takes the results.
        word_swapped: Try exchanged words as well.
    """
    family, area = sides.family, sides.area
    if _adds_itself(family) and placement is not Placement.GIVEN:
        return
    if placement is Placement.IMAGE_END:
        return
    inside = [one for one in fields if 0 <= one.offset <= area.size - family.length]
    step = max(1, _BATCH // area.size)
    for order in _orders(family, word_swapped=word_swapped):
        for total in totals_of(family):
            worth = _worth(sides, algorithm, total)
            possible = [one for one in inside if _is_possible(sides, one, order, total)]
            for begin in range(0, len(possible), step):
                yield
                batch = possible[begin : begin + step]
                search = Search(
                    algorithms=(algorithm.name,),
                    order=order,
                    placement=placement,
                    length=family.length,
                    bits=worth.mixed,
                    bits_of_copies=worth.copies,
                    together=False,
                    linear=False,
                    total=total,
                )
                _join(sides, algorithm, batch, search, collector)


def _join(
    sides: SumSides,
    algorithm: Algorithm,
    fields: Sequence[FixedField],
    search: Search,
    collector: Collector,
) -> None:
    """All ends behind each field, with the starts before it."""
    area, step = sides.area, 2 if sides.family.words else 1
    # A complement right before or behind its block was looked for as such.
    apart = 0 if search.total == _CARD_TOTAL else step
    first = search.length + apart
    spread = [np.arange(one.offset + first, area.size + 1, step) for one in fields]
    places = np.repeat(np.arange(len(fields)), [len(ends) for ends in spread])
    positions = np.concatenate(spread)
    offsets = np.array([one.offset for one in fields])[places]
    latest = np.minimum(offsets - apart + 1, positions - search.length)
    limits = np.minimum(area.thresholds(0)[0][positions], latest).astype(np.int64)
    levels = np.array([one.distinct for one in fields])
    ends = Ends(search=search, positions=positions, fields=offsets, levels=levels[places])
    goals = [
        np.array([_goal(sides, one, row, search) for one in fields], np.uint64)[places]
        for row in range(area.count)
    ]
    keys = sides.end_keys(algorithm, positions, goals)
    matches = sides.starts.match(keys, limits, None, places)
    collector.offer(area, ends, matches, 1, limits, lambda end: fields[int(places[end])].stored)
    for one in fields:
        _count_chance(area, sides.family, one, search, collector)


def _count_chance(
    area: Area, family: SumFamily, field: FixedField, search: Search, collector: Collector
) -> None:
    ends = np.arange(field.offset + search.length, area.size + 1)
    counts = count_pairs(area.thresholds(0), ends, np.full(len(ends), field.offset + 1))
    # Start, field and end lie at whole words.
    share = 0.25 if family.words else 1.0
    one, worth = evidence_bits(family), search.bits[field.distinct - 1]
    loss = one * field.distinct - worth
    expected = sum(
        count * 2.0 ** (-one * max(contents, field.distinct))
        for contents, count in enumerate(counts, 1)
    )
    collector.chance.add(worth, share * expected * 2.0**loss, tier=TIERS[search.placement])


def _adds_itself(family: SumFamily) -> bool:
    if family.family in (Family.SUM, Family.XOR):
        return family.width == 8
    return family.family is Family.WORD_SUM and family.width == 16


def _orders(family: SumFamily, *, word_swapped: bool) -> Iterator[NumberOrder]:
    """The orders that a total's number may have: of words, that of the words alone."""
    for order in number_orders(family.length, word_swapped=word_swapped):
        if not family.words or (not order.word_swapped and order.byte_order == family.word_order):
            yield order


def _worth(sides: SumSides, algorithm: Algorithm, total: int) -> Worth:
    """What was measured for the complement that the number is."""
    ending = Ending.TWOS if total == 0 else Ending.ONES
    name = algorithm.name.replace(f"/{Ending.TOTAL.upper()}", f"/{ending.upper()}")
    plain = tuple(evidence_bits(sides.family) * many for many in range(1, sides.area.count + 1))
    return sides.worth.get((name, False), Worth(plain, plain))


def _is_possible(sides: SumSides, field: FixedField, order: NumberOrder, total: int) -> bool:
    """Whether some block could leave so much to the total, in every image."""
    modulus = 1 << sides.family.width
    rests = [(total - order.number(stored)) % modulus for stored in field.stored]
    return bool(sides.fits([np.array([rest], np.uint64) for rest in rests])[0])


def _goal(sides: SumSides, field: FixedField, row: int, search: Search) -> int:
    """What the block with the field in it must add up to, in one image."""
    stored, family = field.stored[row], sides.family
    if family.family is Family.XOR:
        return search.total or 0
    step = 2 if family.words else 1
    elements = [stored[at : at + step] for at in range(0, search.length, step)]
    own = sum(int.from_bytes(element, family.word_order or "big") for element in elements)
    return ((search.total or 0) - search.order.number(stored) + own) % (1 << family.width)
