"""What is left out of long runs of one byte: nothing that a search would find."""

from __future__ import annotations

import random
from itertools import groupby

import pytest
from hypothesis import given
from hypothesis import strategies as st

from memtool.core.image import Image
from memtool.core.span import Span
from memtool.core.texts import identity_search, long_runs, vin_search
from memtool.core.texts.identity_match import IdentityMatch
from memtool.core.texts.long_runs import condense, find_long_runs
from tests.stored_texts import ALL_FORMS, plant
from tests.vin_samples import CHECKED_VINS

BLOCK = 64
"""Small ones, so that small images have long runs."""


@pytest.fixture
def small_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(long_runs, "_BLOCK", BLOCK)


def constant_blocks(data: bytes) -> dict[int, int]:
    """By number the byte of each block of one value."""
    blocks = (data[at : at + BLOCK] for at in range(0, len(data) - BLOCK + 1, BLOCK))
    return {number: block[0] for number, block in enumerate(blocks) if len(set(block)) == 1}


PIECES = st.lists(
    st.one_of(
        st.tuples(st.sampled_from([0, 0xFF, 0x30]), st.integers(1, 400)).map(
            lambda each: bytes([each[0]]) * each[1]
        ),
        st.binary(min_size=1, max_size=9),
    ),
    max_size=8,
).map(b"".join)


@pytest.mark.usefixtures("small_blocks")
@given(PIECES, st.integers(0, 3))
def test_runs_are_those_that_a_plain_loop_finds(data: bytes, base: int) -> None:
    constant = constant_blocks(data)
    numbers = sorted(constant)
    expected = []
    for _, group in groupby(
        enumerate(numbers), lambda each: (each[1] - each[0], constant[each[1]])
    ):
        run = [number for _, number in group]
        if len(run) > 1:
            first, end = base + run[0] * BLOCK, base + (run[-1] + 1) * BLOCK
            expected.append((constant[run[0]], Span(first, end)))
    found = find_long_runs(Image.from_bytes(data, base=base))
    assert [(run.value, run.span) for run in found] == expected


@pytest.mark.usefixtures("small_blocks")
@given(PIECES, PIECES, st.integers(1, 40), st.sampled_from([1, 2, 8]))
def test_what_is_left_lies_where_it_was(one: bytes, two: bytes, margin: int, step: int) -> None:
    image = Image.from_pieces([(5, one), (5 + len(one) + 7, two)])
    left = condense(image, find_long_runs(image), margin=margin, step=step, values=(0, 0xFF))
    assert (image.size - left.image.size) % step == 0
    seen = set()
    for segment in left.image.segments:
        for at, byte in enumerate(segment.data):
            real = left.real(Span(segment.start + at, segment.start + at + 1))
            assert image.read(real) == bytes([byte])
            seen.add(real.start)
    gone = [
        address
        for segment in image.segments
        for address in range(segment.start, segment.end)
        if address not in seen
    ]
    for address in gone:
        # As far as the margin on both sides there is the same byte.
        around = Span(address - margin, address + margin + 1)
        assert set(image.read(around)) in ({0}, {0xFF})


def search(image: Image, identity: str) -> tuple[IdentityMatch, ...]:
    """Without what is kept of the last searches."""
    return identity_search._find_identity.__wrapped__(image, identity, True)


@pytest.mark.parametrize(
    "identity", ["1M8GDM9AXKP042788", "1M8GDM9AXKP000000", "1M8GDM9AXKP011111"]
)
@pytest.mark.parametrize("fill", [0xFF, 0x00, 0x30, 0x11])
def test_texts_are_found_as_in_the_whole_image(
    monkeypatch: pytest.MonkeyPatch, identity: str, fill: int
) -> None:
    """A text of zeros stands in zeros, and beside a run its end and more of it fit."""
    source = random.Random(f"{identity} {fill}")
    image = b""
    for form in source.sample(ALL_FORMS, 14):
        filler = bytes([fill]) * source.randrange(600, 1400)
        planted = plant(filler, identity, form, source).image
        # Some are cut in their middle, so that ends and beginnings stand alone.
        image += planted[: source.choice([len(planted), len(planted) // 2])]
        image += source.randbytes(source.randrange(3))
    whole = search(Image.from_bytes(image, base=3), identity)
    monkeypatch.setattr(long_runs, "_BLOCK", BLOCK)
    monkeypatch.setattr(identity_search, "LONG", 0)
    monkeypatch.setattr(identity_search, "WORTH_IT", 0)
    assert find_long_runs(Image.from_bytes(image, base=3))
    assert search(Image.from_bytes(image, base=3), identity) == whole
    assert whole


@pytest.mark.parametrize("deep", [False, True])
@pytest.mark.parametrize("fill", [0xFF, 0x00])
@pytest.mark.parametrize("seed", range(4))
def test_unknown_vins_are_found_as_in_the_whole_image(
    monkeypatch: pytest.MonkeyPatch, seed: int, fill: int, deep: bool
) -> None:
    """Alone in erased memory and at its borders: the same places, odds and other readings."""
    source = random.Random(f"{seed} {fill}")
    pieces = []
    for form in source.sample(ALL_FORMS, 10):
        filler = bytes([fill]) * source.randrange(600, 1400)
        planted = plant(filler, source.choice(CHECKED_VINS), form, source).image
        pieces += [planted, source.randbytes(source.choice([0, 0, 1, 90]))]
    image = Image.from_pieces([(3, b"".join(pieces[:9])), (20000, b"".join(pieces[9:]))])
    whole = vin_search._find_vins.__wrapped__(image, deep)
    monkeypatch.setattr(long_runs, "_BLOCK", BLOCK)
    monkeypatch.setattr(vin_search, "LONG", 0)
    monkeypatch.setattr(vin_search, "_LEFT_OF_ERASED", 250)
    assert vin_search._without_erased(image).image.size < image.size
    assert vin_search._find_vins.__wrapped__(image, deep) == whole
    assert whole
