"""A hundred jobs that lie, after each of which the independent checker finds nothing."""

from __future__ import annotations

import os
import random
import sys

import pytest

from tests.build import DONOR_VIN, module_memory
from tests.slips.dishonest_jobs import VINS, play
from tests.slips.independent_check import find_held, holds
from tests.stored_texts import ALL_FORMS, ENCODERS, plant

pytestmark = pytest.mark.skipif(
    not hasattr(os, "fork") or sys.platform == "darwin", reason="commands run in forks"
)


@pytest.mark.parametrize("first", range(0, 100, 25))
def test_no_dishonest_job_gets_anything_past_the_gate(
    first: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("BENCHIMAGE_STORE", "BENCHIMAGE_LAYOUTS"):
        monkeypatch.setenv(name, "")  # Played jobs set them; the test's end puts them back.
    played = {seed: play(seed) for seed in range(first, first + 25)}
    assert {seed: each.faults for seed, each in played.items() if each.faults} == {}
    # A generator whose every job is refused would show nothing.
    assert sum(each.blanked for each in played.values()) >= 2


def test_the_checker_itself_finds_a_vin_in_every_form_that_it_names() -> None:
    memory, vin = module_memory()[:0x10], DONOR_VIN.encode()
    for turned in (
        *(vin, vin[::-1], DONOR_VIN.lower().encode(), DONOR_VIN.encode("utf-16-be")),
        *(bytes(map(encode, vin)) for encode in ENCODERS.values()),
        *(bytes(value ^ 0x5A for value in vin), bytes((value + 3) % 256 for value in vin)),
        b"".join((vin + b"\xff")[at : at + 2][::-1] for at in range(0, 18, 2)),
    ):
        assert holds(memory + turned + memory, DONOR_VIN)
    rng = random.Random(4)
    for form in ALL_FORMS:
        for _ in range(4):
            assert holds(plant(rng.randbytes(256), DONOR_VIN, form, rng).image, DONOR_VIN), form
    noise = random.Random(5).randbytes(4096)
    assert find_held(noise, VINS) == set()
