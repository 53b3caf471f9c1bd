"""Memory maps: rows, cells, marks; each against a slow count over every byte."""

from __future__ import annotations

import math
from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from memtool.core.image import Image
from memtool.core.layouts.region import RegionKind
from memtool.core.memory_map import (
    PRECEDENCE,
    Content,
    compute_entropy,
    compute_map,
    compute_marks,
    plan_map,
)
from memtool.core.span import Span
from memtool.formats.layout_toml.parsing import parse_layout
from memtool.render.page.picture import memory_map
from memtool.render.values import SIGNS
from tests.build import LAYOUT, module_memory

images = st.lists(
    st.tuples(st.integers(0, 3000), st.binary(min_size=1, max_size=200)), min_size=1, max_size=4
)


def image_of(pieces: list[tuple[int, bytes]]) -> Image:
    """Pieces that would overlap are moved behind the one before."""
    placed, end = [], 0
    for start, data in sorted(pieces):
        at = max(start, end)
        placed.append((at, data))
        end = at + len(data)
    return Image.from_pieces(placed)


@given(pieces=images, columns=st.sampled_from([8, 32]), rows=st.integers(4, 16))
def test_every_byte_lies_in_one_row_and_no_row_is_empty(
    pieces: list[tuple[int, bytes]], columns: int, rows: int
) -> None:
    image = image_of(pieces)
    plan = plan_map(image.spans, columns=columns, most_rows=rows)
    assert len(plan.rows) <= rows
    for span in image.spans:
        for address in (span.start, span.end - 1):
            assert sum(row <= address < row + plan.row_length for row in plan.rows) == 1
    for row in plan.rows:
        assert any(span.overlaps(Span(row, row + plan.row_length)) for span in image.spans)


@given(pieces=images, data=st.data())
def test_cells_say_what_a_look_at_every_byte_says(
    pieces: list[tuple[int, bytes]], data: st.DataObject
) -> None:
    image = image_of(pieces)
    known = {
        segment.start + place: byte
        for segment in image.segments
        for place, byte in enumerate(segment.data)
    }
    marked = data.draw(st.lists(st.sampled_from(sorted(known)), max_size=5))
    spans = [Span(address, address + 1) for address in marked]
    plan = plan_map(image.spans, columns=16, most_rows=8)
    drawn = compute_map(image, plan, marked=spans)
    for row in drawn.rows:
        assert sum(run.cells for run in row.runs) == plan.columns
        contents = [run.content for run in row.runs for _ in range(run.cells)]
        marks = {cell for first, cells in row.marked for cell in range(first, first + cells)}
        for cell in range(plan.columns):
            start = row.start + cell * plan.cell
            held = {known[a] for a in range(start, start + plan.cell) if a in known}
            expected = {0xFF: Content.ERASED, 0x00: Content.ZERO}.get(min(held, default=-1))
            if not held:
                expected = Content.UNDEFINED
            elif len(held) > 1 or expected is None:
                expected = Content.DATA
            assert contents[cell] is expected
            assert (cell in marks) is any(start <= a < start + plan.cell for a in marked)


def test_far_apart_words_make_few_rows() -> None:
    image = Image.from_pieces([(0, bytes(64)), (0x1000_1000, b"\x01\x02")])
    plan = plan_map(image.spans, columns=32, most_rows=16)
    assert plan.rows == (0, 32, 0x1000_1000)


def test_regions_show_by_precedence_and_vins_without_a_layout() -> None:
    image = Image.from_bytes(module_memory())
    plan = plan_map(image.spans, columns=16, most_rows=16)
    layout = parse_layout(LAYOUT)
    kinds = compute_map(image, plan, layout=layout).kinds
    assert RegionKind.PROTECTED in kinds
    assert RegionKind.VEHICLE_IDENTITY in kinds
    bare = compute_map(image, plan, vins=[Span(0x10, 0x21)])
    assert bare.kinds == (RegionKind.VEHICLE_IDENTITY,)


def test_precedence_is_that_of_the_letters_on_every_map() -> None:
    assert tuple(SIGNS) == PRECEDENCE


def test_entropy_is_that_of_shannon() -> None:
    # Source: C. E. Shannon, "A Mathematical Theory of Communication", 1948, section 6.
    data = bytes(range(256)) + bytes(256) + b"ab" * 128 + module_memory()
    image = Image.from_bytes(data)
    strip = compute_entropy(image, plan_map(image.spans, columns=1, most_rows=4))
    assert len(strip.values) == 4
    for place, value in enumerate(strip.values):
        counts = Counter(data[place * 256 : place * 256 + 256]).values()
        bits = -sum(count / 256 * math.log2(count / 256) for count in counts)
        assert value == pytest.approx(bits / 8)
    assert strip.values[:3] == pytest.approx((1.0, 0.0, 0.125))


@given(pieces=images, data=st.data())
def test_strip_and_map_share_one_scale(
    pieces: list[tuple[int, bytes]], data: st.DataObject
) -> None:
    image = image_of(pieces)
    plan = plan_map(image.spans, columns=32, most_rows=16)
    addresses = [address for span in image.spans for address in range(span.start, span.end)]
    marked = data.draw(st.sets(st.sampled_from(addresses), max_size=4))
    spans = [Span(address, address + 1) for address in marked]
    strip = compute_marks(plan, spans)
    drawn = compute_map(image, plan, marked=spans)
    # Told by walking the rows: where each byte lies from left to right, row after row.
    length = plan.row_length // strip.per_row
    expected = [0.0] * (len(plan.rows) * strip.per_row)
    for number, row in enumerate(plan.rows):
        for address in marked:
            if row <= address < row + plan.row_length:
                expected[number * strip.per_row + (address - row) // length] = 1.0
    assert list(strip.values) == expected
    # A part of the strip is marked where a cell of the map that lies in it is.
    cells = plan.columns // strip.per_row
    for number, shown in enumerate(drawn.rows):
        marks = {cell for first, count in shown.marked for cell in range(first, first + count)}
        for part in range(strip.per_row):
            lies = any(cell // cells == part for cell in marks)
            assert lies is bool(strip.values[number * strip.per_row + part])
    assert len(strip.values) <= 128


def test_a_strip_shows_where_addresses_are_left_out() -> None:
    image = Image.from_pieces([(0, bytes(64)), (0x1000_1000, b"\x01\x02")])
    plan = plan_map(image.spans, columns=32, most_rows=16)
    strip = compute_entropy(image, plan)
    assert strip.breaks == (2 * strip.per_row,)
    assert None not in strip.values[: 2 * strip.per_row + 2]
    assert set(strip.values[2 * strip.per_row + 2 :]) == {None}


def test_data_in_a_store_of_records_shows_as_records_and_free_space_as_erased() -> None:
    image = Image.from_bytes(bytes(range(1, 65)) + b"\xff" * 64 + bytes(range(1, 129)))
    plan = plan_map(image.spans, columns=16, most_rows=1)
    drawn = compute_map(image, plan, stores=[Span(0, 128)], vins=[Span(0, 16)])
    assert [(run.cells, run.content) for run in drawn.rows[0].runs] == [
        (1, Content.RECORDS),
        (3, Content.RECORDS),
        (4, Content.ERASED),
        (8, Content.DATA),
    ]
    # The VIN's cell is dark and has its letter; the others of the store are one hatch.
    assert memory_map(drawn, title="x", name="x").count("<path") == 1
