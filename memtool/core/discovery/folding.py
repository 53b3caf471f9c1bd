"""What follows from a better row, or cannot be told from it, becomes one of its readings.

Rules
-----
1. The same bytes of block and field together are one fact: a zero sum has its number at
   either end; a polynomial may be a factor of another one.
2. A field that is part of a wider one of the same block is no second one: the low byte of a
   sum.
3. So is the same field for a block whose borders differ by nothing but bytes that are equal
   in all images.
4. A total that two other rows make is no third row (`total_links`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from memtool.core.discovery.collecting import TIERS, Candidate
from memtool.core.discovery.results import Equivalent, Placement
from memtool.core.discovery.total_links import TotalLinks
from memtool.core.span import Span


@dataclass(frozen=True, slots=True, eq=False)
class Confirmed:
    """A candidate that was computed afresh, with the evidence for it."""

    candidate: Candidate
    bits: float
    expected: float
    images: tuple[int, ...]
    stored: tuple[bytes, ...]
    equivalents: tuple[Equivalent, ...]

    @property
    def rank(self) -> tuple[float, int, bool, int, int, int, int]:
        """Sorts the best one first."""
        return (-self.bits, *self.candidate.rank[1:])


def fold_rows(confirmed: Iterable[Confirmed]) -> tuple[list[Confirmed], int]:
    """What is left, and how many went into others.

    Args:
        confirmed: Best first.
    """
    kept: list[Confirmed] = []
    near: dict[tuple[object, ...], list[int]] = {}
    links = TotalLinks()
    folded = 0
    for found in confirmed:
        keys = _near_keys(found.candidate)
        # In the order of rank, so that a row goes to the best one that explains it.
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
    # -1: no field apart, so that the same bytes give the same key however they are read.
    if is_inside(candidate):
        return start, end, -1
    if field == end or not length:
        return start, end + length, -1
    if field + length == start:
        return field, end, -1
    return start, end, field


def _joined(better: Confirmed, found: Confirmed) -> Confirmed:
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


def _follows(found: Confirmed, better: Confirmed) -> bool:
    """Rules 1 to 3."""
    one, other = found.candidate, better.candidate
    if _bytes_of(one) == _bytes_of(other):
        return True
    if one.search.placement is Placement.INSIDE:
        # Part of a wider number behind the same block adds up too.
        behind = other.search.together and one.start == other.start
        return behind and other.end < one.end <= other.field + other.search.length
    if other.search.placement is Placement.INSIDE:
        return False
    if one.start == other.start and _adds_nothing(one, other):
        reach = max(one.field + one.search.length, other.field + other.search.length)
        # Together they take less room than apart: the fields overlap.
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


def _adds_nothing(one: Candidate, other: Candidate) -> bool:
    """Whether nothing lies between both ends, or nothing that a sum would add."""
    if one.end == other.end:
        return True
    if one.search.linear or other.search.linear:
        return False
    # Zero bytes alone between both ends; a sum does not move there.
    low, high = sorted((one.end, other.end))
    return not any(any(content[low:high]) for content in one.area.contents)


def _numbers(found: Confirmed) -> list[int]:
    """What is stored, in each image."""
    return [found.candidate.search.order.number(field) for field in found.stored]


def _differs_by_zeros(found: Confirmed, better: Confirmed) -> bool:
    """Whether both are one sum: a number read with the zeros before it, or with those behind."""
    one, other = found.candidate, better.candidate
    apart = abs(one.field - other.field)
    if one.algorithm != other.algorithm or one.search.linear or one.start != other.start:
        return False
    if apart >= one.search.length or _numbers(found) != _numbers(better):
        return False
    return _adds_nothing(one, other)


def _as_equivalent(found: Confirmed) -> Equivalent:
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


def is_inside(candidate: Candidate) -> bool:
    """Whether the field, at a known place, lies inside the block."""
    length = candidate.search.length
    return bool(length) and candidate.start <= candidate.field <= candidate.end - length
