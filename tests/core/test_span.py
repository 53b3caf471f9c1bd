"""Spans: typed and printed as people write them, half open inside, and set algebra."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from memtool.core.span import (
    Span,
    count_addresses,
    format_span,
    format_span_with_length,
    intersect_spans,
    parse_number,
    parse_span,
    parts_inside,
    spans_between,
    spans_of_addresses,
    subtract_spans,
    union_spans,
)

spans = st.builds(
    lambda start, length: Span(start, start + length), st.integers(0, 200), st.integers(1, 60)
)
many = st.lists(spans, max_size=8)


def addresses(items: object) -> set[int]:
    return {address for span in items for address in range(span.start, span.end)}  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("text", "span"),
    [
        ("0x0120-0x0130", Span(0x120, 0x131)),
        ("0x0120+17", Span(0x120, 0x131)),
        ("288-304", Span(288, 305)),
        ("0-0", Span(0, 1)),
        ("0X10+0x10", Span(16, 32)),
    ],
)
def test_span_as_people_write_it(text: str, span: Span) -> None:
    assert parse_span(text) == span


@pytest.mark.parametrize(
    "text",
    ["", "0x10", "5-4", "4+0", "-1-4", "0x10..0x20", "1_0+4", "0b1+1", "٣+1", "4+", "+4", "1-2-3"],
)
def test_anything_else_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"span|number"):
        parse_span(text)


@given(spans)
def test_printed_spans_can_be_typed(span: Span) -> None:
    assert parse_span(format_span(span)) == span


def test_length_stands_beside_the_printed_span() -> None:
    assert format_span_with_length(Span(0x120, 0x131)) == "0x0120-0x0130 (17 bytes)"
    assert format_span_with_length(Span(0x12345, 0x12346)) == "0x12345+1 (1 byte)"


@given(st.integers(0, 2**63))
def test_numbers_are_decimal_or_hexadecimal_and_nothing_else(number: int) -> None:
    assert parse_number(str(number)) == parse_number(hex(number)) == number
    for text in (oct(number), bin(number), f"+{number}", f" {number}", f"{number}h"):
        with pytest.raises(ValueError, match="not a number"):
            parse_number(text)


@pytest.mark.parametrize(("start", "end"), [(-1, 4), (4, 4), (5, 4)])
def test_span_is_never_empty_or_negative(start: int, end: int) -> None:
    with pytest.raises(ValueError, match="not a span"):
        Span(start, end)


@given(many, many)
def test_set_algebra_is_that_of_sets(a: list[Span], b: list[Span]) -> None:
    left, right = addresses(a), addresses(b)
    for made, expected in (
        (union_spans([*a, *b]), left | right),
        (subtract_spans(a, b), left - right),
        (subtract_spans(a, a), set()),
        (intersect_spans(a, b), left & right),
        (spans_of_addresses([*left, *right, *left]), left | right),
    ):
        assert addresses(made) == expected
        assert list(made) == sorted(made)
        assert all(x.end <= y.start for x, y in itertools.pairwise(made))
    assert count_addresses([*a, *b]) == len(left | right)


@given(many)
def test_spans_are_told_by_their_edges(given: list[Span]) -> None:
    edges = tuple(edge for span in given for edge in (span.start, span.end))
    assert spans_between(edges) == tuple(given)


@given(spans, many)
def test_parts_inside_a_span_are_what_both_share(span: Span, given: list[Span]) -> None:
    others = union_spans(given)
    parts = parts_inside(span, others)
    assert addresses(parts) == addresses([span]) & addresses(others)
    assert list(parts) == sorted(parts)


@given(spans, spans)
def test_relations_of_two_spans(a: Span, b: Span) -> None:
    both = addresses([a]) & addresses([b])
    assert a.overlaps(b) is bool(both)
    assert a.contains(b) is (addresses([b]) <= addresses([a]))
    shared = a.intersection(b)
    assert (addresses([shared]) if shared else set()) == both
