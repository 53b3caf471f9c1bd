"""Masking: the identity that went stands in no text, the vehicle's own stays."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from memtool.core.reporting.masking import Masker
from tests.build import DONOR_VIN, VEHICLE_VIN

MASK = Masker([DONOR_VIN, VEHICLE_VIN], vehicle_vin=VEHICLE_VIN)
MASKED = DONOR_VIN[:3] + "•" * 14


@pytest.mark.parametrize(
    "written",
    [
        DONOR_VIN,
        DONOR_VIN.lower(),
        f"({DONOR_VIN})",
        f"read_{DONOR_VIN}_2.bin",
        "-".join(DONOR_VIN),
        " ".join([DONOR_VIN[:3], DONOR_VIN[3:9], DONOR_VIN[9:]]),
        DONOR_VIN[::-1],
        DONOR_VIN.encode().hex(),
        DONOR_VIN.encode().hex(" ").upper(),
        DONOR_VIN[::-1].encode().hex(":"),
    ],
)
def test_every_way_of_writing_the_identity_is_masked(written: str) -> None:
    masked = MASK.text(f"the donor: {written}.")
    assert "•" in masked
    letters = [character for character in masked.split(": ", 1)[1].upper() if character.isalnum()]
    assert DONOR_VIN[5:] not in "".join(letters)
    assert DONOR_VIN[5:][::-1] not in "".join(letters)


def test_tails_are_masked_where_they_stand_alone_and_nowhere_else() -> None:
    tail = DONOR_VIN[-6:]
    assert MASK.text(f"serial {tail}, dump-{tail}.bin") == "serial ••••••, dump-••••••.bin"
    assert MASK.text(f"hash 7{tail}a") == f"hash 7{tail}a"


def test_the_vehicles_own_vin_stays_readable_in_every_way_of_writing() -> None:
    text = f"{VEHICLE_VIN} {VEHICLE_VIN.lower()} {VEHICLE_VIN[-6:]}"
    assert MASK.text(text) == text
    assert MASK.identity(VEHICLE_VIN) == VEHICLE_VIN


def test_a_tail_that_both_share_stays_readable() -> None:
    donor = DONOR_VIN[:11] + VEHICLE_VIN[11:]
    shared = Masker([donor], vehicle_vin=VEHICLE_VIN)
    assert shared.text(f"serial {VEHICLE_VIN[-6:]}") == f"serial {VEHICLE_VIN[-6:]}"


def test_another_vin_with_a_matching_check_digit_is_masked_too() -> None:
    # 49 CFR 565.15's worked VIN, with the check digit that its rule gives.
    assert MASK.text("was 11111111111111111 here") == "was 111•••••••••••••• here"
    part = "DZ410700000000C12"
    assert MASK.text(part) == part


def test_the_shops_copy_is_left_alone() -> None:
    shop = Masker([DONOR_VIN], vehicle_vin=VEHICLE_VIN, active=False)
    assert shop.text(DONOR_VIN) == DONOR_VIN
    assert shop.identity(DONOR_VIN) == DONOR_VIN


@given(before=st.text(max_size=30), after=st.text(max_size=30))
def test_no_surrounding_text_keeps_the_identity_readable(before: str, after: str) -> None:
    assert DONOR_VIN not in MASK.text(before + DONOR_VIN + after).upper()
