"""What a donor holds before anything is done: each case its sentence and its next step.

What counts as blank is common practice, no source.
"""

from __future__ import annotations

import pytest

from memtool.core.image import Image
from memtool.core.job.donor_identity import DonorState, find_donor_identity
from memtool.core.layouts.layout import Layout
from memtool.formats.layout_toml.parsing import parse_layout
from tests.build import DONOR_VIN, LAYOUT, VEHICLE_VIN, blanked_memory, module_memory

LAID_OUT: Layout = parse_layout(LAYOUT)
OTHER_VIN = "DEM0XTESTDATA0017"
"""Invented, of the shape alone: its first letter asks for no check digit."""


def image_of(data: bytes) -> Image:
    return Image.from_bytes(data)


def with_places(first: bytes, second: bytes, flag: int = 0xFF) -> bytes:
    """The blanked module, its two places of the VIN filled anew."""
    memory = bytearray(blanked_memory(module_memory()))
    memory[0x10:0x21], memory[0x50:0x61], memory[0x21] = first, second, flag
    memory[0x40:0x44] = b"\xff" * 4
    return bytes(memory)


@pytest.mark.parametrize(
    ("first", "second", "shown"),
    [
        (b"\xff" * 17, b"\xff" * 17, "FF"),
        (b"\0" * 17, b"\0" * 17, "00"),
        (b"0" * 17, b"0" * 17, "the digit 0"),
        (b" " * 17, b"\xff" * 17, "blanks"),
    ],
)
def test_a_donor_that_is_blank_already_is_said_to_be(
    first: bytes, second: bytes, shown: str
) -> None:
    found = find_donor_identity(
        image_of(with_places(first, second)), vehicle_vin=VEHICLE_VIN, layout=LAID_OUT
    )
    assert found.state is DonorState.BLANK
    assert f"'VIN' ({shown})" in found.text
    assert "check READ --stage after-setup" in found.advice


def test_blank_as_its_layout_says_is_blank() -> None:
    text = LAYOUT.replace(
        'kind = "vehicle-identity"\n', 'kind = "vehicle-identity"\nblank_to = 0x2D\n'
    )
    layout = parse_layout(text)
    data = with_places(b"-" * 17, b"-" * 17)
    found = find_donor_identity(image_of(data), vehicle_vin=VEHICLE_VIN, layout=layout)
    assert found.state is DonorState.BLANK
    assert "blank as its layout says" in found.text


def test_a_flag_that_is_left_is_named_with_the_next_step() -> None:
    data = with_places(b"\xff" * 17, b"\xff" * 17, flag=1)
    found = find_donor_identity(image_of(data), vehicle_vin=VEHICLE_VIN, layout=LAID_OUT)
    assert found.state is DonorState.BLANK
    assert "'VIN written'" in found.text
    assert "blank donor --dry-run" in found.advice


def test_places_that_hold_something_else_are_not_called_blank() -> None:
    data = with_places(bytes(range(1, 18)), b"\xff" * 17)
    found = find_donor_identity(image_of(data), vehicle_vin=VEHICLE_VIN, layout=LAID_OUT)
    assert found.state is DonorState.NOTHING_FOUND
    assert "'VIN'" in found.text
    assert "'VIN, mirrored'" not in found.text


def test_without_a_layout_nothing_found_is_no_proof_of_blank() -> None:
    data = with_places(b"\xff" * 17, b"\xff" * 17)
    found = find_donor_identity(image_of(data), vehicle_vin=VEHICLE_VIN, layout=None)
    assert found.state is DonorState.NOTHING_FOUND
    assert "inspect donor --deep" in found.advice


def test_the_vehicles_own_two_and_a_strangers() -> None:
    both = bytearray(module_memory(DONOR_VIN))
    both[0x50:0x61] = OTHER_VIN.encode()[::-1]
    cases = {
        DonorState.VEHICLE: module_memory(VEHICLE_VIN),
        DonorState.STRANGER: module_memory(DONOR_VIN),
        DonorState.SEVERAL: bytes(both),
    }
    for state, data in cases.items():
        found = find_donor_identity(image_of(data), vehicle_vin=VEHICLE_VIN, layout=LAID_OUT)
        assert found.state is state
        assert DONOR_VIN not in found.sentence
        assert OTHER_VIN not in found.sentence
        assert bool(found.advice) is (state is not DonorState.STRANGER)


def test_a_single_vin_that_needs_no_check_digit_is_to_be_compared() -> None:
    memory = bytearray(module_memory(OTHER_VIN))
    memory[0x50:0x61] = b"\xff" * 17
    found = find_donor_identity(image_of(bytes(memory)), vehicle_vin=VEHICLE_VIN, layout=LAID_OUT)
    assert found.state is DonorState.STRANGER
    assert "needs no check digit" in found.text
    assert "label" in found.advice


def test_a_wrong_check_digit_asks_for_another_read() -> None:
    wrong = DONOR_VIN[:8] + "1" + DONOR_VIN[9:]
    data = module_memory(wrong)
    found = find_donor_identity(image_of(data), vehicle_vin=VEHICLE_VIN, layout=LAID_OUT)
    assert found.state is DonorState.STRANGER
    assert "check digit is wrong" in found.text
    assert "read the donor once more" in found.advice


def test_the_vehicles_vin_beside_a_strangers_is_told_as_both() -> None:
    memory = bytearray(module_memory())
    memory[0xE0:0xF1] = VEHICLE_VIN.encode()
    found = find_donor_identity(image_of(bytes(memory)), vehicle_vin=VEHICLE_VIN, layout=LAID_OUT)
    assert found.state is DonorState.BOTH
    assert "beside 1M8" in found.text
    assert DONOR_VIN not in found.text
