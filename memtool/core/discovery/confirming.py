"""Confirms candidates by computing them afresh, and says what the evidence is worth.

Rules
-----
1. No block is returned that was not computed afresh, by the code that checks a layout's
   checksums, in every image.
2. Evidence is counted again on the block's own bytes: images whose stored numbers do not
   follow from each other; for totals, contents that are not the same bytes in another
   order.
3. What holds because a value is stored twice is dropped; what may hold because of that is
   never taken for found (`copies`).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from memtool.core.checksums.algorithms import (
    Algorithm,
    compute_value,
    get_algorithm,
)
from memtool.core.checksums.sums import Ending
from memtool.core.discovery.collecting import TIERS, Candidate, Collector
from memtool.core.discovery.copies import is_copied, is_moved, is_sum_of_parts, is_too_short
from memtool.core.discovery.evidence import (
    MIXED_SUM,
    expected_other_starts,
    independent_rows,
    proves_nothing,
)
from memtool.core.discovery.folding import Confirmed, fold_rows, is_inside
from memtool.core.discovery.results import (
    CONVINCING,
    HOPELESS,
    DiscoveredBlock,
    Placement,
    Standing,
)
from memtool.core.span import Span

_NO_EVIDENCE = 1.0
"""Such a row is counted with those that chance makes."""
_TRIED = 4
"""Candidates confirmed for each block wanted: some fold into others."""


def build_blocks(collector: Collector, most: int) -> tuple[list[DiscoveredBlock], int]:
    """The best `most` blocks, and how many more there are."""
    ranked = sorted(collector.candidates, key=lambda candidate: candidate.rank)
    # Confirming reads every image, so only the best are tried, and some more for short lists.
    tried = ranked[: most * _TRIED + 40]
    confirmed = [found for found in (_confirm(one, collector) for one in tried) if found]
    confirmed.sort(key=lambda found: found.rank)
    kept, folded = fold_rows(confirmed)
    blocks = [_block(found) for found in kept[:most]]
    return blocks, max(0, collector.counted - folded - len(blocks))


def _confirm(candidate: Candidate, collector: Collector) -> Confirmed | None:
    """Rules 1 to 3."""
    algorithm, search = get_algorithm(candidate.algorithm), candidate.search
    blocks = [content[candidate.start : candidate.end] for content in candidate.area.contents]
    stored: tuple[bytes, ...] = ()
    numbers: list[int] = []
    if search.placement is Placement.INSIDE:
        # With the number inside, nothing may be missing to the total.
        if any(_value(algorithm, block, search.total) for block in blocks):
            return None
        if algorithm.sum is not None and is_sum_of_parts(algorithm.sum, blocks):
            return None
    else:
        stored = candidate.stored or tuple(
            content[candidate.field : candidate.field + search.length]
            for content in candidate.area.contents
        )
        numbers = [search.order.number(field) for field in stored]
        if is_inside(candidate):
            cut = candidate.field - candidate.start
            # The number is not part of what it is computed over.
            blocks = [block[:cut] + block[cut + search.length :] for block in blocks]
        if not all(
            _fits(algorithm, block, number, search.total)
            for block, number in zip(blocks, numbers, strict=True)
        ):
            return None
        if is_too_short(candidate.start, candidate.end, search.length):
            return None
        if is_copied(algorithm, blocks, numbers):
            return None
    adding = _adding(candidate, algorithm, blocks, stored, numbers)
    if not adding:
        return None
    bits = _mixed_bits(candidate, len(adding), stored)
    expected = collector.chance.expected(bits, tier=TIERS[search.placement])
    if len(adding) < candidate.contents:
        # The other images follow from these, so every block had to match in these alone.
        expected = max(expected, candidate.area.size**2 / 2 * 2.0**-bits)
    if numbers and is_moved(algorithm, blocks, numbers):
        expected = max(expected, _NO_EVIDENCE)
    return Confirmed(
        candidate=candidate,
        bits=bits,
        expected=expected,
        images=tuple(candidate.area.numbers[row] for row in adding),
        stored=stored,
        equivalents=candidate.equivalents,
    )


def _adding(
    candidate: Candidate,
    algorithm: Algorithm,
    blocks: Sequence[bytes],
    stored: Sequence[bytes],
    numbers: Sequence[int],
) -> tuple[int, ...]:
    """Rule 2: the places of the images that add evidence."""
    search = candidate.search
    facts: list[int | None]
    one = algorithm.sum
    if search.placement is Placement.INSIDE and one is not None:
        facts = [
            None if proves_nothing(block, b"", strict=True) else one.content(block)
            for block in blocks
        ]
    else:
        strict = not (search.linear and search.together)
        facts = [
            None if proves_nothing(block, field, strict=strict) else number
            for block, field, number in zip(blocks, stored, numbers, strict=True)
        ]
    if not numbers or one is None or not one.cancels:
        return independent_rows(facts, linear=search.linear)
    wholes = [block + field for block, field in zip(blocks, stored, strict=True)]
    contents = [
        None if fact is None else one.content(whole)
        for fact, whole in zip(facts, wholes, strict=True)
    ]
    # First those whose bytes do not cancel against the others', then those whose numbers do not: of
    # an exclusive-or an image must add to both.
    by_content = independent_rows(contents, linear=True)
    kept = [fact if place in by_content else None for place, fact in enumerate(facts)]
    return independent_rows(kept, linear=True)


def _idle_share(candidate: Candidate, stored: Sequence[bytes]) -> float:
    """The share of a sum's number that is erased in all images, from its high byte down.

    Sums are small, and complements of small sums are FF above: such bytes may as well be
    erased space beside a narrower number. They are its own where other bytes follow them.
    """
    places = sorted(enumerate(candidate.search.order.significance), key=lambda pair: -pair[1])
    columns = [{field[place] for field in stored} for place, _ in places]
    idle = 0
    while idle < len(columns) and columns[idle] in ({0x00}, {0xFF}):
        idle += 1
    if not idle:
        return 0.0
    content, behind = candidate.area.contents[0], candidate.field + candidate.search.length
    # The byte next to the idle end: behind the field if its high byte is the last one, else before.
    beside = content[behind : behind + 1] if places[0][0] else content[candidate.field - 1 :][:1]
    filled = bytes(columns[0]) == beside
    # A hair either way: of two widths that fit the one whose idle bytes are not erased space wins.
    return (idle + (0.01 if filled else -0.01)) / len(columns)


def _mixed_bits(candidate: Candidate, adding: int, stored: Sequence[bytes]) -> float:
    """Bits of evidence; blocks too short to mix their bytes count in proportion."""
    search, start, end = candidate.search, candidate.start, candidate.end
    bits = search.bits[adding - 1]
    if not search.length:
        return bits
    mixed = search.length if search.linear else MIXED_SUM * search.length
    if adding > 1 and search.bits_of_copies is not None:
        first, last = np.searchsorted(candidate.area.differing, [start, end])
        # Few bytes differ: they may be a copy of the number, which chance makes more often.
        if last - first < mixed:
            bits = search.bits_of_copies[adding - 1]
    if adding > 1 and not search.linear:
        bits *= 1 - _idle_share(candidate, stored)
    return bits * min(1.0, (end - start) / mixed)


def _value(algorithm: Algorithm, block: bytes, total: int | None) -> int:
    """What the field must hold; of a block with its field inside, what is missing."""
    if algorithm.ending is Ending.TOTAL:
        return compute_value(algorithm, block, total=total)
    return compute_value(algorithm, block)


def _fits(algorithm: Algorithm, block: bytes, number: int, total: int | None) -> bool:
    value = _value(algorithm, block, total)
    return value == number if algorithm.sum is None else algorithm.sum.is_same(value, number)


def _block(found: Confirmed) -> DiscoveredBlock:
    candidate, search, area = found.candidate, found.candidate.search, found.candidate.area
    inside = search.placement is Placement.INSIDE
    field = area.base + candidate.field
    return DiscoveredBlock(
        algorithm=candidate.algorithm,
        block=Span(area.base + candidate.start, area.base + candidate.end),
        field=None if inside else Span(field, field + search.length),
        byte_order=search.order.byte_order,
        word_swapped=search.order.word_swapped,
        total=search.total,
        placement=search.placement,
        images=found.images,
        bits=found.bits,
        expected_by_chance=found.expected,
        start_expected_by_chance=_other_borders(candidate),
        standing=_standing(found.expected),
        equivalents=found.equivalents,
    )


def _other_borders(candidate: Candidate) -> float:
    """Other starts that chance fits to the end; with a field elsewhere or anywhere inside, to
    any end that the images cannot tell from it."""
    area, search = candidate.area, candidate.search
    starts = expected_other_starts(
        area.counted,
        area.thresholds(0),
        candidate.start,
        candidate.last_start,
        search.bits[0],
        len(search.algorithms),
    )
    # The end is fixed by the field behind it, so only starts are in doubt.
    if search.together and search.length:
        return starts
    place = int(np.searchsorted(area.differing, candidate.end))
    # The stretch around the end in which the images agree: any end there looks the same.
    low = int(area.differing[place - 1]) + 1 if place else 0
    high = int(area.differing[place]) if place < len(area.differing) else area.size
    return starts * max(1, high - max(low, candidate.start + 1) + 1)


def _standing(expected: float) -> Standing:
    if expected < CONVINCING:
        return Standing.CONVINCING
    return Standing.WEAK if expected <= HOPELESS else Standing.GUESS
