"""A change that spells a VIN is noticed, in whatever form; a VIN that was there is none."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.core.image import Image
from memtool.core.job.leftovers import CHANCE_LIMIT
from memtool.core.runs import find_changes
from memtool.core.span import Span
from memtool.core.texts.new_identity import find_new_identity
from tests.stored_texts import ALL_FORMS, plant

VEHICLE = "1G4AH59H45G118341"
"""49 CFR 565.15, Table VI."""
DONOR = "1M8GDM9AXKP042788"
"""The worked example of "VIN, check digit" in Wikipedia."""
ERASED = b"\xff" * 512


def changes(before: bytes, after: bytes) -> tuple[Span, ...]:
    return find_changes(Image.from_bytes(before), Image.from_bytes(after))


def new_texts(before: bytes, after: bytes, *known: str) -> set[str]:
    images = [Image.from_bytes(before)], Image.from_bytes(after)
    found = find_new_identity(
        *images, changes(before, after), chance_limit=CHANCE_LIMIT, known=known
    )
    return {each.text for each in found}


@pytest.mark.parametrize("form", ALL_FORMS)
def test_the_vehicles_vin_is_new_in_every_stored_form(form: str) -> None:
    rng = random.Random(form)
    for _ in range(4):
        after = plant(ERASED, VEHICLE, form, rng).image
        assert new_texts(ERASED, after, VEHICLE) == {VEHICLE}


def test_a_vin_that_nobody_named_is_new_as_well() -> None:
    after = plant(ERASED, DONOR, "plain", random.Random(1)).image
    assert new_texts(ERASED, after, VEHICLE) == {DONOR}


@pytest.mark.parametrize(
    "written",
    [
        pytest.param(VEHICLE[-8:].encode(), id="last 8"),
        pytest.param(VEHICLE[-6:].encode(), id="last 6"),
        pytest.param(VEHICLE[-5:].encode(), id="last 5"),
        pytest.param(bytes.fromhex(VEHICLE[-6:]), id="last 6 as BCD"),
        pytest.param(int(VEHICLE[-6:]).to_bytes(4, "big"), id="last 6 as an integer"),
        pytest.param(bytes(byte ^ 0x5A for byte in VEHICLE.encode()), id="under a key"),
    ],
)
def test_a_trace_of_the_vehicles_vin_is_new(written: bytes) -> None:
    after = ERASED[:64] + written + ERASED[64 + len(written) :]
    assert new_texts(ERASED, after, VEHICLE) == {VEHICLE}


def test_a_vin_that_one_byte_completes_is_new() -> None:
    after = ERASED[:64] + VEHICLE.encode() + ERASED[81:]
    before = after[:70] + b"\xff" + after[71:]
    assert new_texts(before, after, VEHICLE) == {VEHICLE}


@pytest.mark.parametrize("form", ["plain", "inverted", "packed-6-msb"])
def test_a_vin_that_was_there_before_is_not_new(form: str) -> None:
    before = plant(ERASED, VEHICLE, form, random.Random(form)).image
    holes = bytes(before)
    after = bytes(0x00 if byte == 0xFF else byte for byte in holes)
    assert new_texts(before, after, VEHICLE) == set()


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32), form=st.sampled_from(ALL_FORMS), fill=st.sampled_from([0, 0xFF]))
def test_blanking_a_vin_brings_in_none(seed: int, form: str, fill: int) -> None:
    rng = random.Random(seed)
    planted = plant(rng.randbytes(512), DONOR, form, rng)
    after = bytearray(planted.image)
    for offset, _ in planted.cells:
        after[offset] = fill
    assert new_texts(planted.image, bytes(after), VEHICLE) == set()


def test_what_did_not_change_is_not_looked_at() -> None:
    after = plant(ERASED, VEHICLE, "plain", random.Random(3)).image
    image = Image.from_bytes(after)
    assert (
        find_new_identity(
            [Image.from_bytes(ERASED)], image, (), chance_limit=CHANCE_LIMIT, known=(VEHICLE,)
        )
        == ()
    )
