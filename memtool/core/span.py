"""Spans of addresses: half open in code and JSON, inclusive where people read and type.

This is the one place where the two ways of writing meet. People of the trade write
``FIRST-LAST`` with LAST inside, or ``START+LENGTH``; code and JSON keep ``[start, end)``.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from operator import attrgetter, eq, lt

_START, _END = attrgetter("start"), attrgetter("end")
_NUMBER = re.compile(r"0[xX][0-9a-fA-F]{1,16}|[0-9]{1,20}", re.ASCII)


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """Addresses `start` to `end` - 1, never empty.

    Raises:
        ValueError: `start` is negative or `end` is not above it.
    """

    start: int
    """First address."""
    end: int
    """First address after the span."""

    def __post_init__(self) -> None:
        if self.start < 0 or self.end <= self.start:
            raise ValueError(f"not a span: start {self.start}, end {self.end}")

    def __len__(self) -> int:
        return self.end - self.start

    def __contains__(self, address: int) -> bool:
        return self.start <= address < self.end

    def __str__(self) -> str:
        return format_span(self)

    def contains(self, other: Span) -> bool:
        """Whether every address of `other` lies in this span."""
        return self.start <= other.start and other.end <= self.end

    def overlaps(self, other: Span) -> bool:
        """Whether the two share an address."""
        return self.start < other.end and other.start < self.end

    def intersection(self, other: Span) -> Span | None:
        """The addresses of both, or None."""
        start, end = max(self.start, other.start), min(self.end, other.end)
        return Span(start, end) if start < end else None


# What a plan changes and what changed in truth are asked for by many rules, and mostly the same.
@lru_cache(maxsize=2)
def spans_between(edges: tuple[int, ...]) -> tuple[Span, ...]:
    """The spans of these edges: of each its first address and the first behind it.

    Raises:
        ValueError: a span is empty or negative.
    """
    return tuple(map(Span, edges[::2], edges[1::2]))


def union_spans(spans: Iterable[Span]) -> tuple[Span, ...]:
    """Sorted and disjoint, neighbours joined: the addresses that lie in any of `spans`."""
    given = tuple(spans)
    # Most are so already, and of unlike images there are a hundred thousand.
    if all(map(lt, map(_END, given), map(_START, given[1:]))):
        return given
    joined: list[Span] = []
    for span in sorted(given, key=_START):
        if joined and span.start <= joined[-1].end:
            joined[-1] = Span(joined[-1].start, max(joined[-1].end, span.end))
        else:
            joined.append(span)
    return tuple(joined)


def subtract_spans(spans: Iterable[Span], away: Iterable[Span]) -> tuple[Span, ...]:
    """Sorted and disjoint: the addresses of `spans` that lie in none of `away`."""
    if spans is away:
        return ()
    holes, ours = union_spans(away), union_spans(spans)
    if not holes or _are_same(ours, holes):
        return () if holes else ours
    left: list[Span] = []
    first = 0
    for span in ours:
        # Both are sorted: a hole that ends before this span ends before all that follow.
        while first < len(holes) and holes[first].end <= span.start:
            first += 1
        if first == len(holes) or holes[first].start >= span.end:
            left.append(span)
            continue
        start, number = span.start, first
        while number < len(holes) and holes[number].start < span.end:
            if holes[number].start > start:
                left.append(Span(start, holes[number].start))
            start = max(start, holes[number].end)
            number += 1
        if start < span.end:
            left.append(Span(start, span.end))
    return tuple(left)


def _are_same(ours: tuple[Span, ...], theirs: tuple[Span, ...]) -> bool:
    """As `==`, which makes two tuples of each two spans that are not one object."""
    if len(ours) != len(theirs):
        return False
    starts = map(eq, map(_START, ours), map(_START, theirs))
    return all(starts) and all(map(eq, map(_END, ours), map(_END, theirs)))


def intersect_spans(spans: Iterable[Span], others: Iterable[Span]) -> tuple[Span, ...]:
    """Sorted and disjoint: the addresses that lie in both."""
    theirs = union_spans(others)
    # Of many spans the order alone takes long.
    ours = union_spans(spans) if theirs else ()
    if not ours:
        return ()
    found: list[Span] = []
    # One span beside a hundred thousand asks for its neighbours alone.
    one = bisect_right(ours, theirs[0].start, key=_END)
    other = bisect_right(theirs, ours[0].start, key=_END)
    last = min(ours[-1].end, theirs[-1].end)
    while one < len(ours) and other < len(theirs):
        if max(ours[one].start, theirs[other].start) >= last:
            break
        both = ours[one].intersection(theirs[other])
        if both is not None:
            found.append(both)
        # The one that ends first shares nothing with what follows.
        if ours[one].end < theirs[other].end:
            one += 1
        else:
            other += 1
    return tuple(found)


def parts_inside(span: Span, spans: Sequence[Span]) -> tuple[Span, ...]:
    """What lies in `span` of sorted, disjoint `spans`, of which nothing else is looked at."""
    first = bisect_right(spans, span.start, key=_END)
    found: list[Span] = []
    for number in range(first, len(spans)):
        both = span.intersection(spans[number])
        if both is None:
            break
        found.append(both)
    return tuple(found)


def spans_of_addresses(addresses: Iterable[int]) -> tuple[Span, ...]:
    """The runs that the given addresses form, in any order, repeats allowed."""
    known = set(addresses)
    ordered = sorted(known)
    starts = [address for address in ordered if address - 1 not in known]
    ends = [address + 1 for address in ordered if address + 1 not in known]
    return tuple(map(Span, starts, ends))


def count_addresses(spans: Iterable[Span]) -> int:
    """How many addresses lie in any of `spans`."""
    return sum(span.end - span.start for span in union_spans(spans))


def parse_number(text: str) -> int:
    """Read an address or a length: decimal or ``0x…``, nothing else.

    Raises:
        ValueError: anything else, signs, underscores and blanks included.
    """
    if not _NUMBER.fullmatch(text):
        raise ValueError(f"'{text}' is not a number: write it as 288 or 0x0120")
    return int(text, 16) if text[:2] in ("0x", "0X") else int(text, 10)


def parse_span(text: str) -> Span:
    """Read ``FIRST-LAST`` (LAST inside) or ``START+LENGTH``.

    Raises:
        ValueError: not of that shape, or empty.
    """
    for sign in "-+":
        first, found, second = text.partition(sign)
        if not found:
            continue
        start, number = parse_number(first.strip()), parse_number(second.strip())
        end = number + 1 if sign == "-" else start + number
        if end <= start:
            raise ValueError(f"'{text}' is an empty span")
        return Span(start, end)
    raise ValueError(f"'{text}' is not a span: write it as 0x0120-0x0130 or 0x0120+17")


def format_address(address: int) -> str:
    """Hexadecimal with at least four digits: ``0x0120``."""
    return f"0x{address:04X}"


def format_span(span: Span) -> str:
    """As people write it, LAST inside: ``0x0120-0x0130``; one byte as ``0x0120+1``."""
    if len(span) == 1:
        return f"{format_address(span.start)}+1"
    return f"{format_address(span.start)}-{format_address(span.end - 1)}"


def format_span_with_length(span: Span) -> str:
    """The span with its length beside it: ``0x0120-0x0130 (17 bytes)``."""
    size = span.end - span.start
    return f"{format_span(span)} ({size:,} {'byte' if size == 1 else 'bytes'})"
