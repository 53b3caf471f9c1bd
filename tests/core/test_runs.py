"""Runs of marked bytes, against Python's regular expressions."""

from __future__ import annotations

import random
import re
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from memtool.core.image import Image
from memtool.core.runs import (
    count_image,
    edges_of_mask,
    find_changes,
    in_a_row,
    rows_of_bytes,
    without_small_gaps,
)

MARKS = bytes(value in b"ab" for value in range(256))


@given(st.text(alphabet="abc", max_size=60), st.integers(1, 20))
def test_runs_of_bytes_are_those_of_a_regular_expression(text: str, least: int) -> None:
    data = text.encode()
    want = [[m.start(), m.end()] for m in re.finditer(rb"[ab]{%d,}" % least, data)]
    assert rows_of_bytes(data, MARKS, least).tolist() == want


@pytest.mark.parametrize("least", [1, 2, 11, 17])
def test_runs_go_on_over_the_parts_in_which_long_data_is_worked_on(least: int) -> None:
    rng = random.Random(least)
    data = bytearray(rng.choices(b"abc", (20, 20, 1), k=200_000))
    data[65_530:65_550] = b"a" * 20
    want = [[m.start(), m.end()] for m in re.finditer(rb"[ab]{%d,}" % least, bytes(data))]
    assert rows_of_bytes(bytes(data), MARKS, least).tolist() == want


@pytest.mark.parametrize("first", [65_500, 65_525, 65_535, 65_536, 131_050, 131_072])
@pytest.mark.parametrize("length", [1, 11, 36, 65_536, 65_547, 140_000])
def test_runs_may_begin_and_end_where_parts_do(first: int, length: int) -> None:
    data = b"c" * first + b"a" * length + b"c" * (first % 40)
    for least in (1, 11, 12):
        want = [[first, first + length]] if length >= least else []
        assert rows_of_bytes(data, MARKS, least).tolist() == want


@given(st.text(alphabet="ac", max_size=60), st.integers(1, 6))
def test_runs_are_joined_where_less_than_the_gap_lies_between(text: str, gap: int) -> None:
    edges = edges_of_mask(np.array([character == "a" for character in text], np.bool_))
    assert edges.tolist() == [[m.start(), m.end()] for m in re.finditer("a+", text)]
    joined = re.compile(f"a(?:c{{0,{gap - 1}}}a)*")
    want = [[m.start(), m.end()] for m in joined.finditer(text)]
    assert without_small_gaps(edges, gap).tolist() == want


@given(st.lists(st.tuples(st.integers(0, 50), st.integers(1, 20)), max_size=8), st.integers(1, 6))
def test_runs_that_overlap_are_one(runs: list[tuple[int, int]], gap: int) -> None:
    edges = np.array(sorted((at, at + length) for at, length in runs), np.int64).reshape(-1, 2)
    marked = {place for first, end in edges.tolist() for place in range(first, end)}
    text = "".join("a" if place in marked else "c" for place in range(80))
    joined = re.compile(f"a(?:c{{0,{gap - 1}}}a)*")
    want = [[m.start(), m.end()] for m in joined.finditer(text)]
    assert without_small_gaps(edges, gap).tolist() == want


@given(st.lists(st.booleans(), max_size=40), st.integers(1, 12))
def test_so_many_in_a_row_begin_where_a_loop_says(marked: list[bool], count: int) -> None:
    want = [all(marked[at : at + count]) for at in range(len(marked) - count + 1)]
    assert in_a_row(np.array(marked, np.bool_), count).tolist() == want


@given(st.lists(st.binary(min_size=1, max_size=40), max_size=4))
def test_bytes_of_all_segments_are_counted(segments: list[bytes]) -> None:
    image = Image.from_pieces((0x100 * number, data) for number, data in enumerate(segments))
    together = b"".join(segments)
    assert count_image(image).tolist() == [together.count(value) for value in range(256)]


contents = st.dictionaries(st.integers(0, 60), st.integers(0, 3), max_size=50)
"""Address to byte: the slow, obvious form of an image, with many equal bytes."""


@given(contents, contents)
def test_changes_are_the_runs_of_addresses_that_differ(
    a: dict[int, int], b: dict[int, int]
) -> None:
    one, other = (
        Image.from_pieces((address, bytes([value])) for address, value in content.items())
        for content in (a, b)
    )
    changes = find_changes(one, other)
    assert [x for span in changes for x in range(span.start, span.end)] == sorted(
        x for x in a.keys() & b.keys() if a[x] != b[x]
    )
    assert all(one.end < later.start for one, later in pairwise(changes))
