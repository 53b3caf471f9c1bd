"""Views and joined parts of them: every place leads back to the byte that it shows."""

from __future__ import annotations

import random
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.core.image import Segment
from memtool.core.texts.key_steps import added_steps, xor_steps
from memtool.core.texts.stored_forms import swap_words
from memtool.core.texts.view import Parts, View


@given(
    data=st.binary(min_size=1, max_size=80),
    start=st.integers(0, 9),
    unit=st.sampled_from((1, 2, 4)),
    stride=st.sampled_from((1, 2, 4)),
    phase=st.integers(0, 3),
)
def test_place_of_a_view_leads_to_the_byte_it_shows(
    data: bytes, start: int, unit: int, stride: int, phase: int
) -> None:
    stride = 1 if unit > 1 else stride
    view = View(Segment(start, data), unit=unit, stride=stride, phase=phase % max(unit, stride))
    assert [data[view.address(place) - start] for place in range(view.size)] == [*view.data]


@given(
    data=st.binary(min_size=1, max_size=40),
    unit=st.sampled_from((1, 2, 4)),
    stride=st.sampled_from((1, 2, 4)),
    phase=st.integers(0, 3),
    edges=st.tuples(st.integers(0, 40), st.integers(0, 40)),
)
def test_a_part_of_a_view_is_cut_from_all_of_it(
    data: bytes, unit: int, stride: int, phase: int, edges: tuple[int, int]
) -> None:
    stride = 1 if unit > 1 else stride
    phase %= max(unit, stride)
    view = View(Segment(0, data), unit=unit, stride=stride, phase=phase)
    if unit > 1:
        whole = (len(data) - phase) // unit * unit
        shown = swap_words(data[phase : phase + max(whole, 0)], unit)
    else:
        shown = data[phase::stride]
    first, end = (min(edge, len(shown)) for edge in sorted(edges))
    assert view.part(first, end) == shown[first:end]
    assert view.data == shown


@settings(max_examples=200)
@given(
    data=st.binary(min_size=60, max_size=90),
    cuts=st.sets(st.integers(0, 60), min_size=2, max_size=8),
    stride=st.sampled_from((1, 2)),
    unit=st.sampled_from((1, 2, 4)),
    phase=st.integers(0, 3),
)
def test_joined_parts_lead_back_and_their_words_are_whole(
    data: bytes, cuts: set[int], stride: int, unit: int, phase: int
) -> None:
    source = View(Segment(7, data), stride=stride)
    edges = [cut // stride for cut in sorted(cuts)]
    spans = [(lo, hi) for lo, hi in zip(edges[::2], edges[1::2], strict=False) if lo < hi]
    parts = Parts(source, np.array(spans, np.intp).reshape(-1, 2), apart=b"\x00\x80" * unit)
    view = View(parts.joined, unit=unit, phase=phase % unit)
    offset = 0
    for lo, hi in spans:
        own = range(offset, offset + hi - lo)
        assert [parts.address(each) for each in own] == [source.address(p) for p in range(lo, hi)]
        shown = [place for place in range(len(view.data)) if view.address(place) in own]
        words = {place // unit for place in shown}
        whole = [
            unit * word + index
            for word in sorted(words)
            for index in range(unit)
            if all(unit * word + each in shown for each in range(unit))
        ]
        for each in own:
            first, end = parts.words_around(each, unit, phase % unit)
            assert [*range(first, end)] == whole
        offset += hi - lo + 2 * unit


LENGTHS = (0, 1, 2, 3, 5, 140_001)
"""Short ones and a long one are worked on in different ways."""


@pytest.mark.parametrize("length", LENGTHS)
def test_key_steps_are_what_neighbouring_bytes_have_between_them(length: int) -> None:
    data = random.Random(length).randbytes(length)
    assert xor_steps(data) == bytes(one ^ other for one, other in pairwise(data))
    assert added_steps(data) == bytes((other - one) % 256 for one, other in pairwise(data))


@pytest.mark.parametrize("length", LENGTHS)
@pytest.mark.parametrize("unit", [2, 4])
def test_every_word_is_reversed_a_short_last_one_too(length: int, unit: int) -> None:
    data = random.Random(length).randbytes(length)
    words = (data[place : place + unit] for place in range(0, length, unit))
    assert swap_words(data, unit) == b"".join(word[::-1] for word in words)
