"""No conversion makes a VIN: not by a vote, not by a fill, not by a view."""

from __future__ import annotations

import pytest

from memtool.core.conversion import (
    select_spans,
)
from memtool.core.health.agreement import majority_image
from memtool.core.image import Image
from memtool.core.job.conversion_rules import (
    require_no_new_identity,
    require_one_module,
    require_voted_vins,
)
from memtool.core.reader_order import apply_view
from memtool.core.texts.stored_forms import parse_stored_form
from memtool.errors import RefusalError
from tests.build import DONOR_VIN, VEHICLE_VIN, module_memory

ERASED = b"\xff" * 64


def with_text(text: bytes, at: int = 0x10) -> bytes:
    return ERASED[:at] + text + ERASED[at + len(text) :]


def images(*memories: bytes) -> list[Image]:
    return [Image.from_bytes(memory) for memory in memories]


def test_reads_with_different_vins_do_not_vote() -> None:
    reads = images(module_memory(DONOR_VIN), module_memory(VEHICLE_VIN), module_memory(DONOR_VIN))
    with pytest.raises(RefusalError, match="different VINs") as refusal:
        require_one_module(reads)
    assert refusal.value.code == "two-modules"
    require_one_module(images(module_memory(DONOR_VIN), ERASED, module_memory(DONOR_VIN)))


def test_a_read_whose_vin_has_a_flaw_votes_with_the_others() -> None:
    # One character read wrong: the check digit, which this VIN must have, no longer holds.
    flawed = DONOR_VIN[:-1] + "9"
    require_one_module(images(*map(module_memory, (DONOR_VIN, DONOR_VIN, flawed))))


def test_a_vin_of_which_one_byte_stands_in_a_single_read_is_new() -> None:
    vin = DONOR_VIN.encode()
    parts = (vin, vin[:5] + b"\x00" + vin[6:], vin[:5] + b"\x01" + vin[6:])
    reads = images(*map(with_text, parts))
    voted = majority_image(reads).image
    with pytest.raises(RefusalError) as refusal:
        require_voted_vins(reads, voted)
    assert refusal.value.code == "new-identity"
    twice = images(with_text(vin), with_text(vin), with_text(parts[1]))
    require_voted_vins(twice, majority_image(twice).image)


def test_a_fill_that_completes_a_vin_is_refused() -> None:
    vin = DONOR_VIN.encode()
    holed = Image.from_pieces([(0, ERASED + vin[:8]), (73, vin[9:] + ERASED)])
    filled = select_spans(holed, (), fill=vin[8]).image
    with pytest.raises(RefusalError) as refusal:
        require_no_new_identity(holed, filled)
    assert (refusal.value.code, refusal.value.address) == ("new-identity", 64)
    require_no_new_identity(holed, select_spans(holed, (), fill=0xFF).image)


def test_a_view_that_turns_a_crafted_file_into_a_vin_is_refused() -> None:
    # Nibbles swapped and inverted: two steps that no memory has together.
    turned = bytes(
        (~value & 0xFF) % 16 * 16 + (~value & 0xFF) // 16 for value in DONOR_VIN.encode()
    )
    source = Image.from_bytes(with_text(turned))
    seen = apply_view(source, parse_stored_form("nibbles-swapped"))
    inverted = apply_view(seen, parse_stored_form("inverted"))
    with pytest.raises(RefusalError):
        require_no_new_identity(source, inverted, is_view=True)


def test_a_read_whose_words_are_swapped_is_mended_with_all_its_traces() -> None:
    memory = with_text(VEHICLE_VIN.encode() + b"\xff" + bytes.fromhex(VEHICLE_VIN[-6:]))
    swapped = b"".join(memory[at : at + 2][::-1] for at in range(0, 64, 2))
    source = Image.from_bytes(swapped)
    mended = apply_view(source, parse_stored_form("swapped-16"))
    require_no_new_identity(source, mended, known=[VEHICLE_VIN], is_view=True)
