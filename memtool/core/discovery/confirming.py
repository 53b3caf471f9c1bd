"""Confirms candidates by computing them, folds what follows from others, and orders the rest.

Rules
-----
1. No block is returned that was not computed afresh, by the code that checks a layout's
   checksums, in every image.
2. Evidence is counted again on the block's own bytes: images whose stored numbers do not
   follow from each other; for totals, contents that are not the same bytes in another
   order.
3. A row that follows from a better one, or that the images cannot tell from it, becomes
   one of its equivalents: the same bytes of block and field together (a zero sum has its
   number at either end; a polynomial may be a factor of another one); a field that is part
   of a wider one of the same block (the low byte of a sum); the same field for a block
   whose borders differ by nothing but bytes that are equal in all images.
4. Convincing rows come in the order in which they must be refreshed: a block that covers
   another one's field comes after it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from memtool.core.checksums.algorithms import (
    Algorithm,
    Ending,
    Family,
    compute_value,
    get_algorithm,
)
from memtool.core.discovery.collecting import TIERS, Candidate, Collector
from memtool.core.discovery.evidence import (
    MIXED_SUM,
    expected_other_starts,
    independent_rows,
    odd_bytes,
    proves_nothing,
)
from memtool.core.discovery.results import (
    CONVINCING,
    HOPELESS,
    DiscoveredBlock,
    Equivalent,
    Placement,
    Standing,
)
from memtool.core.discovery.total_links import TotalLinks
from memtool.core.span import Span

_TRIED = 4
"""Candidates confirmed for each block wanted: some fold into others."""


@dataclass(frozen=True, slots=True, eq=False)
class _Confirmed:
    candidate: Candidate
    bits: float
    expected: float
    images: tuple[int, ...]
    stored: tuple[bytes, ...]
    equivalents: tuple[Equivalent, ...]

    @property
    def rank(self) -> tuple[float, int, bool, int, int, int, int]:
        return (-self.bits, *self.candidate.rank[1:])


def build_blocks(collector: Collector, most: int) -> tuple[list[DiscoveredBlock], int]:
    """The best `most` blocks, and how many more there are."""
    ranked = sorted(collector.candidates, key=lambda candidate: candidate.rank)
    tried = ranked[: most * _TRIED + 40]
    confirmed = [found for found in (_confirm(one, collector) for one in tried) if found]
    confirmed.sort(key=lambda found: found.rank)
    kept, folded = _fold(confirmed)
    blocks = [_block(found) for found in kept[:most]]
    return blocks, max(0, collector.counted - folded - len(blocks))


def _fold(confirmed: Iterable[_Confirmed]) -> tuple[list[_Confirmed], int]:
    """Rule 3: what is left, and how many went into others."""
    kept: list[_Confirmed] = []
    near: dict[tuple[object, ...], list[int]] = {}
    links = TotalLinks()
    folded = 0
    for found in confirmed:
        keys = _near_keys(found.candidate)
        places = sorted({place for key in keys for place in near.get(key, ())})
        better = next((place for place in places if _follows(found, kept[place])), None)
        if better is None:
            better = links.row_behind(found.candidate)
        if better is None:
            for key in keys:
                near.setdefault(key, []).append(len(kept))
            links.add(found.candidate, len(kept))
            kept.append(found)
            continue
        folded += 1
        kept[better] = _joined(kept[better], found)
    return kept, folded


def _near_keys(candidate: Candidate) -> tuple[tuple[object, ...], ...]:
    """Only candidates that share one of these can follow from each other."""
    area, search = id(candidate.area), candidate.search
    keys: list[tuple[object, ...]] = [
        ("bytes", area, *_bytes_of(candidate)),
        ("start", area, candidate.start),
    ]
    if search.placement is not Placement.INSIDE:
        keys.append(("field", area, candidate.field, search.length))
    return tuple(keys)


def _bytes_of(candidate: Candidate) -> tuple[int, int, int]:
    """The bytes of block and field together: a run, and the field if it is apart."""
    start, end = candidate.start, candidate.end
    field, length = candidate.field, candidate.search.length
    if _is_inside(candidate):
        return start, end, -1
    if field == end or not length:
        return start, end + length, -1
    if field + length == start:
        return field, end, -1
    return start, end, field


def _joined(better: _Confirmed, found: _Confirmed) -> _Confirmed:
    """The better row with the other one among its equivalents.

    Where both speak of the same bytes, they are one fact: the more natural placement
    names it, and all images that prove either prove it. A number known by its place says
    more than a total, and which images prove it.
    """
    name, other = better, found
    if _bytes_of(better.candidate) == _bytes_of(found.candidate):
        searches = [row.candidate.search for row in (better, found)]
        if (
            searches[0].placement is Placement.INSIDE
            and searches[1].placement is Placement.AFTER_BLOCK
        ):
            readings = (*found.equivalents, _as_equivalent(better), *better.equivalents)
            return replace(found, equivalents=readings)
        if TIERS[searches[1].placement] < TIERS[searches[0].placement]:
            name, other = found, better
    return replace(
        name,
        bits=better.bits,
        expected=min(better.expected, found.expected),
        images=better.images,
        equivalents=(*name.equivalents, _as_equivalent(other), *other.equivalents),
    )


def _confirm(candidate: Candidate, collector: Collector) -> _Confirmed | None:
    """Rules 1 and 2."""
    algorithm, search = get_algorithm(candidate.algorithm), candidate.search
    blocks = [content[candidate.start : candidate.end] for content in candidate.area.contents]
    stored: tuple[bytes, ...] = ()
    numbers: list[int] = []
    if search.placement is Placement.INSIDE:
        if any(_value(algorithm, block, search.total) for block in blocks):
            return None
    else:
        stored = candidate.stored or tuple(
            content[candidate.field : candidate.field + search.length]
            for content in candidate.area.contents
        )
        numbers = [search.order.number(field) for field in stored]
        if _is_inside(candidate):
            cut = candidate.field - candidate.start
            blocks = [block[:cut] + block[cut + search.length :] for block in blocks]
        if not all(
            _fits(algorithm, block, number, search.total)
            for block, number in zip(blocks, numbers, strict=True)
        ):
            return None
    adding = _adding(candidate, algorithm, blocks, stored, numbers)
    if not adding:
        return None
    bits = _mixed_bits(candidate, len(adding))
    return _Confirmed(
        candidate=candidate,
        bits=bits,
        expected=collector.chance.expected(bits, tier=TIERS[search.placement]),
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
    if search.placement is Placement.INSIDE:
        facts = [
            None
            if proves_nothing(block, b"", strict=True)
            else int.from_bytes(_by_lane(block), "big")
            for block in blocks
        ]
    else:
        strict = not (search.linear and search.together)
        facts = [
            None if proves_nothing(block, field, strict=strict) else number
            for block, field, number in zip(blocks, stored, numbers, strict=True)
        ]
    if algorithm.family is not Family.XOR:
        return independent_rows(facts, linear=search.linear)
    wholes = [
        block + field for block, field in zip(blocks, stored or [b""] * len(blocks), strict=True)
    ]
    odd = [
        None if fact is None else odd_bytes(whole)
        for fact, whole in zip(facts, wholes, strict=True)
    ]
    by_bytes = independent_rows(odd, linear=True)
    if not numbers:
        return by_bytes
    kept = [fact if place in by_bytes else None for place, fact in enumerate(facts)]
    return independent_rows(kept, linear=True)


def _mixed_bits(candidate: Candidate, adding: int) -> float:
    """Bits of evidence; blocks too short to mix their bytes count in proportion."""
    search, start, end = candidate.search, candidate.start, candidate.end
    bits = search.bits[adding - 1]
    if not search.length:
        return bits
    mixed = search.length if search.linear else MIXED_SUM * search.length
    if adding > 1 and search.bits_of_copies is not None:
        first, last = np.searchsorted(candidate.area.differing, [start, end])
        if last - first < mixed:
            bits = search.bits_of_copies[adding - 1]
    return bits * min(1.0, (end - start) / mixed)


def _is_inside(candidate: Candidate) -> bool:
    """Whether the field, at a known place, lies inside the block."""
    length = candidate.search.length
    return bool(length) and candidate.start <= candidate.field <= candidate.end - length


def _value(algorithm: Algorithm, block: bytes, total: int | None) -> int:
    """What the field must hold; of a block with its field inside, what is missing."""
    if algorithm.ending is Ending.TOTAL:
        return compute_value(algorithm, block, total=total)
    return compute_value(algorithm, block)


def _fits(algorithm: Algorithm, block: bytes, number: int, total: int | None) -> bool:
    value = _value(algorithm, block, total)
    if value == number:
        return True
    if algorithm.family is not Family.FLETCHER:
        return False
    half = algorithm.width // 2
    modulus = (1 << half) - 1
    return all(
        (value >> shift & modulus) % modulus == (number >> shift & modulus) % modulus
        for shift in (0, half)
    )


def _by_lane(block: bytes) -> bytes:
    """The same for blocks that hold the same bytes in another order, each in its lane."""
    data = np.frombuffer(block, np.uint8)
    lanes = [np.bincount(data[lane::2], minlength=256) for lane in (0, 1)]
    return np.concatenate(lanes).astype(np.int64).tobytes()


def _follows(found: _Confirmed, better: _Confirmed) -> bool:
    """Rule 3."""
    one, other = found.candidate, better.candidate
    if _bytes_of(one) == _bytes_of(other):
        return True
    if one.search.placement is Placement.INSIDE:
        # Part of a wider number behind the same block adds up too.
        behind = other.search.together and one.start == other.start
        return behind and other.end < one.end <= other.field + other.search.length
    if other.search.placement is Placement.INSIDE:
        return False
    if (one.start, one.end) == (other.start, other.end):
        reach = max(one.field + one.search.length, other.field + other.search.length)
        return reach - min(one.field, other.field) < one.search.length + other.search.length
    if _differs_by_zeros(found, better):
        return True
    if (one.field, one.search.length) != (other.field, other.search.length):
        return False
    if len(found.images) == 1:
        # One image alone: only another reading of the same number follows.
        return (
            one.algorithm == other.algorithm
            and _numbers(found) == _numbers(better)
            and (one.start == other.start or one.end == other.end)
        )
    area = one.area
    return area.same_content(one.start, other.start) and area.same_content(one.end, other.end)


def _numbers(found: _Confirmed) -> list[int]:
    """What is stored, in each image."""
    return [found.candidate.search.order.number(field) for field in found.stored]


def _differs_by_zeros(found: _Confirmed, better: _Confirmed) -> bool:
    """Whether both are one sum: a number read with the zeros before it, or with those behind."""
    one, other = found.candidate, better.candidate
    apart = abs(one.field - other.field)
    if one.algorithm != other.algorithm or one.search.linear or one.start != other.start:
        return False
    if apart >= one.search.length or _numbers(found) != _numbers(better):
        return False
    low, high = sorted((one.end, other.end))
    return not any(any(content[low:high]) for content in one.area.contents)


def _as_equivalent(found: _Confirmed) -> Equivalent:
    candidate = found.candidate
    base, at = candidate.area.base, candidate.area.base + candidate.field
    start, end, length = base + candidate.start, base + candidate.end, candidate.search.length
    return Equivalent(
        algorithm=candidate.algorithm,
        byte_order=candidate.search.order.byte_order,
        word_swapped=candidate.search.order.word_swapped,
        total=candidate.search.total,
        starts=(Span(start, start + 1),),
        ends=(Span(end, end + 1),),
        field=Span(at, at + length) if length else None,
        start_step=1,
        end_step=1,
        count=1,
    )


def _block(found: _Confirmed) -> DiscoveredBlock:
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
    if search.together and search.length:
        return starts
    place = int(np.searchsorted(area.differing, candidate.end))
    low = int(area.differing[place - 1]) + 1 if place else 0
    high = int(area.differing[place]) if place < len(area.differing) else area.size
    return starts * max(1, high - max(low, candidate.start + 1) + 1)


def _standing(expected: float) -> Standing:
    if expected < CONVINCING:
        return Standing.CONVINCING
    return Standing.WEAK if expected <= HOPELESS else Standing.GUESS


def order_blocks(blocks: Sequence[DiscoveredBlock]) -> list[DiscoveredBlock]:
    """Best first, and rule 4: before a block only what it must wait for; where two blocks
    cover each other's fields, the better one first."""
    ranked = sorted(blocks, key=lambda block: block.expected_by_chance)
    convincing = [block for block in ranked if block.standing is Standing.CONVINCING]
    ordered: dict[int, DiscoveredBlock] = {}
    for first in range(len(convincing)):
        # An explicit trail, not recursion: a long chain of blocks must not end the stack.
        trail = {} if first in ordered else {first: _waits_for(first, convincing)}
        while trail:
            place, rest = next(reversed(trail.items()))
            inner = next((each for each in rest if each not in ordered and each not in trail), None)
            if inner is None:
                del trail[place]
                ordered[place] = convincing[place]
            else:
                trail[inner] = _waits_for(inner, convincing)
    return [*ordered.values(), *ranked[len(convincing) :]]


def _waits_for(place: int, blocks: Sequence[DiscoveredBlock]) -> Iterator[int]:
    """Places of the blocks whose fields this one covers, but not the other way round."""
    block = blocks[place]
    return (
        other
        for other, inner in enumerate(blocks)
        if _covers_field(block, inner) and not _covers_field(inner, block)
    )


def _covers_field(block: DiscoveredBlock, other: DiscoveredBlock) -> bool:
    return other is not block and other.field is not None and block.block.overlaps(other.field)
