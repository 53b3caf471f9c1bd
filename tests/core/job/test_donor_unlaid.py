"""The donor check without a layout, on planted modules. Never imports what it judges by."""

from __future__ import annotations

import random

from memtool.core.finding import Check, Verdict
from memtool.core.image import Image
from memtool.core.job.stages.donor_unlaid import check_without_layout
from tests.build import DONOR_VIN, VEHICLE_VIN, module_memory


def answers(original: bytes, donor: bytes) -> dict[str, Check]:
    found = check_without_layout(Image.from_bytes(original), Image.from_bytes(donor))
    return {check.code: check for check in found}


def with_text(memory: bytes, start: int, text: bytes) -> bytes:
    return memory[:start] + text + memory[start + len(text) :]


ORIGINAL, DONOR = module_memory(VEHICLE_VIN), module_memory(DONOR_VIN)


def test_without_the_original_nothing_is_compared() -> None:
    assert check_without_layout(None, Image.from_bytes(DONOR)) == ()


def test_vins_at_the_same_places_are_named_with_their_forms() -> None:
    check = answers(ORIGINAL, DONOR)["vin-places"]
    assert check.result is Verdict.PASS
    assert "0x0010-0x0020" in check.text
    assert "(plain)" in check.text
    assert "0x0050-0x0060" in check.text
    assert "(reversed)" in check.text


def test_a_vin_at_another_place_is_left_to_a_person() -> None:
    moved = with_text(with_text(DONOR, 0x10, b"\xff" * 17), 0xE4, DONOR_VIN.encode())
    check = answers(ORIGINAL, moved)["vin-places"]
    assert check.result is Verdict.DECIDE
    assert "Only the donor holds one at 0x00E4-0x00F4" in check.text
    assert DONOR_VIN not in check.text
    bare = answers(ORIGINAL, b"\xff" * 256)["vin-places"]
    assert (bare.result, bare.reason) == (Verdict.NOT_CHECKED, "no VIN was found in the donor")


def test_a_revision_letter_is_told_from_another_number() -> None:
    ours = with_text(DONOR, 0x00, b"DZ-4117-D      \xff")
    theirs = with_text(ORIGINAL, 0x00, b"DZ-4117-C      \xff")
    check = answers(theirs, ours)["texts"]
    assert check.result is Verdict.DECIDE
    assert "original DZ-4117-C, donor DZ-4117-D (another revision)" in check.text
    check = answers(theirs, with_text(ours, 0x00, b"DZ-4203-C"))["texts"]
    assert "original DZ-4117-C, donor DZ-4203-C." in check.text
    assert "another revision" not in check.text
    equal = answers(theirs, with_text(ours, 0x00, b"DZ-4117-C"))["texts"]
    assert equal.result is Verdict.PASS


def test_a_text_that_is_wholly_different_may_be_secret_and_is_not_shown() -> None:
    ours = with_text(DONOR, 0x00, b"K7733190X2Q4AAAA")
    theirs = with_text(ORIGINAL, 0x00, b"P1188420Z9B7AAAA")
    check = answers(theirs, ours)["texts"]
    assert "completely different" in check.text
    assert "K7733190" not in check.text
    assert "P1188420" not in check.text


def test_moved_data_is_told_with_its_distance() -> None:
    data = random.Random(5).randbytes(64)
    original = with_text(b"\xff" * 512, 0x100, data)
    donor = with_text(b"\xff" * 512, 0x140, data)
    check = answers(original, donor)["moved-content"]
    assert check.result is Verdict.DECIDE
    assert "From 0x0100 on, the donor's data is 0x40 higher: 64 bytes" in check.text
    back = answers(donor, original)["moved-content"]
    assert "From 0x0140 on, the donor's data is 0x40 lower" in back.text
    assert answers(ORIGINAL, DONOR)["moved-content"].result is Verdict.PASS


def test_what_is_equal_is_counted_and_named() -> None:
    check = answers(ORIGINAL, DONOR)["equal-content"]
    equal = sum(one == two for one, two in zip(ORIGINAL, DONOR, strict=True))
    assert check.result is Verdict.PASS
    assert f"{equal} of 256 bytes are equal" in check.text
    assert "-0x00" in check.text
    other = answers(ORIGINAL, bytes(byte ^ 1 for byte in ORIGINAL))["equal-content"]
    assert other.result is Verdict.DECIDE
