"""Plans: what they change, what they keep, and what they leave of checksums."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from memtool.core.image import Image
from memtool.core.job.blanking import BlankPlan, PlanError, plan_blank, plan_blank_vin
from memtool.core.job.edit import KeptSpan
from memtool.core.job.leftovers import is_telling
from memtool.core.layouts.layout import Layout, decode_fields
from memtool.core.layouts.region import RegionKind
from memtool.core.span import Span
from memtool.core.texts.known_identity import find_identity
from memtool.errors import LayoutError
from memtool.formats.layout_toml.parsing import parse_layout
from tests.build import DONOR_VIN, LAYOUT, blanked_memory, identity_crc, module_memory
from tests.stored_texts import ALL_FORMS, plant

MODULE = """\
[layout]
name = "one field"
chip = "24C04"
size = 512
module = "body"
reviewed = true

[[region]]
name = "VIN"
span = "{start}+{length}"
kind = "vehicle-identity"
type = "vin"
stored_as = "{form}"
"""
COUNTER = KeptSpan(span=Span(0x40, 0x44), reason="counter")


def layout_with(old: str = "", new: str = "") -> Layout:
    assert old in LAYOUT
    return parse_layout(LAYOUT.replace(old, new) if old else LAYOUT)


def after(memory: bytes, plan: BlankPlan) -> bytes:
    changed = bytearray(memory)
    for edit in plan.edits:
        assert changed[edit.span.start : edit.span.end] == edit.old
        changed[edit.span.start : edit.span.end] = edit.new
    return bytes(changed)


def test_plan_blanks_identity_and_state_and_refreshes_the_checksum() -> None:
    memory = module_memory()
    plan = plan_blank(Image.from_bytes(memory), layout_with(), keep=[COUNTER])
    assert after(memory, plan) == blanked_memory(memory)
    assert plan.unproven_checksums == ()
    assert plan.kept == (COUNTER,)


def test_plan_keeps_nothing_it_was_not_asked_to_keep() -> None:
    memory = module_memory()
    plan = plan_blank(Image.from_bytes(memory), layout_with())
    assert after(memory, plan)[0x40:0x44] == b"\xff" * 4


def test_plan_blanks_configuration_only_where_asked() -> None:
    memory = module_memory()
    image, layout = Image.from_bytes(memory), layout_with()
    assert after(memory, plan_blank(image, layout))[0x30:0x40] == memory[0x30:0x40]
    plan = plan_blank(image, layout, configuration=True)
    assert after(memory, plan)[0x30:0x40] == b"\xff" * 16


def test_every_edit_names_its_region_and_its_kind() -> None:
    plan = plan_blank(Image.from_bytes(module_memory()), layout_with(), keep=[COUNTER])
    told = {(edit.span.start, edit.reason, edit.kind) for edit in plan.edits}
    assert (0x10, "VIN", RegionKind.VEHICLE_IDENTITY) in told
    assert (0x21, "VIN written", RegionKind.STATE) in told
    assert (0x22, "checksum 'identity CRC' refreshed", RegionKind.CHECKSUM) in told
    assert (0x50, "VIN, mirrored", RegionKind.VEHICLE_IDENTITY) in told


@pytest.mark.parametrize(
    ("blank_to", "expected"),
    [
        ('"erased"', b"\xff" * 17),
        ("0x20", b" " * 17),
        ("0", b"\x00" * 17),
        ('"2d"', b"-" * 17),
    ],
)
def test_blank_values_are_the_bytes_as_they_lie_in_memory(blank_to: str, expected: bytes) -> None:
    memory = module_memory()
    layout = layout_with('stored_as = "reversed"', f'stored_as = "reversed"\nblank_to = {blank_to}')
    plan = plan_blank(Image.from_bytes(memory), layout)
    assert after(memory, plan)[0x50:0x61] == expected


def test_blank_value_from_the_reference_image() -> None:
    memory, reference = module_memory(), bytearray(b"\xff" * 256)
    reference[0x50:0x61] = b"NO-VEHICLE-YET..."
    layout = layout_with('stored_as = "reversed"', 'stored_as = "reversed"\nblank_to = "reference"')
    image = Image.from_bytes(memory)
    plan = plan_blank(image, layout, reference=Image.from_bytes(bytes(reference)))
    assert after(memory, plan)[0x50:0x61] == b"NO-VEHICLE-YET..."
    with pytest.raises(PlanError, match="reference"):
        plan_blank(image, layout)
    with pytest.raises(PlanError, match="reference"):
        plan_blank(image, layout, reference=Image.from_bytes(b"\xff" * 0x50))


@pytest.mark.parametrize(
    ("order", "expected"), [("erase", b"\xff\xff"), ("keep", None), ("refresh", "crc")]
)
def test_checksum_follows_the_layouts_order(order: str, expected: bytes | str | None) -> None:
    memory = module_memory()
    layout = layout_with('when_blanked = "refresh"', f'when_blanked = "{order}"')
    blank = after(memory, plan_blank(Image.from_bytes(memory), layout))
    if expected is None:
        expected = memory[0x22:0x24]
    elif expected == "crc":
        expected = identity_crc(blank)
    assert blank[0x22:0x24] == expected


def test_checksum_of_an_untouched_block_stays_even_where_it_is_wrong() -> None:
    memory = bytearray(module_memory())
    memory[0x22] ^= 0xFF
    keep = [KeptSpan(span=Span(0x10, 0x24), reason="test")]
    plan = plan_blank(Image.from_bytes(bytes(memory)), layout_with(), keep=keep)
    assert after(bytes(memory), plan)[0x22:0x24] == memory[0x22:0x24]
    assert plan.unproven_checksums == ()


def test_checksum_to_be_refreshed_that_was_wrong_before_is_named() -> None:
    memory = bytearray(module_memory())
    memory[0x22] ^= 0xFF
    plan = plan_blank(Image.from_bytes(bytes(memory)), layout_with())
    assert plan.unproven_checksums == ("identity CRC",)


def test_blank_image_needs_no_edit() -> None:
    memory = blanked_memory(module_memory())
    plan = plan_blank(Image.from_bytes(memory), layout_with(), keep=[COUNTER])
    assert not plan.edits


def test_span_outside_the_image_is_no_plan() -> None:
    image = Image.from_bytes(module_memory())
    with pytest.raises(PlanError, match="0x0100"):
        plan_blank(image, layout_with(), more=[Span(0xF0, 0x101)])


@given(
    start=st.integers(0, 255), length=st.integers(1, 40), fill=st.binary(min_size=256, max_size=256)
)
def test_only_asked_bytes_and_their_checksum_change(start: int, length: int, fill: bytes) -> None:
    memory = module_memory(options=fill[:16], starts=int.from_bytes(fill[16:20], "big"))
    span = Span(start, min(256, start + length))
    plan = plan_blank(Image.from_bytes(memory), layout_with(), more=[span])
    allowed = {*range(0x10, 0x24), *range(0x40, 0x44), *range(0x50, 0x61)}
    allowed |= set(range(span.start, span.end))
    changed = {
        i for i, (a, b) in enumerate(zip(memory, after(memory, plan), strict=True)) if a != b
    }
    assert changed <= allowed
    assert changed == {address for s in plan.spans for address in range(s.start, s.end)}


def test_vin_alone_takes_out_exactly_its_copies() -> None:
    memory = module_memory()
    plan = plan_blank_vin(Image.from_bytes(memory), DONOR_VIN)
    expected = bytearray(memory)
    expected[0x10:0x21] = b"\xff" * 17
    expected[0x50:0x61] = b"\xff" * 17
    assert after(memory, plan) == bytes(expected)


@pytest.mark.parametrize(
    "stored",
    [
        bytes(value ^ 0xFF for value in DONOR_VIN.encode()),
        b"".join(bytes([value, 0xA0 + i]) for i, value in enumerate(DONOR_VIN.encode())),
    ],
    ids=["inverted", "every-2"],
)
def test_vin_alone_is_taken_out_in_any_form_and_foreign_bytes_stay(stored: bytes) -> None:
    memory = bytearray(b"\xff" * 256)
    memory[0x20 : 0x20 + len(stored)] = stored
    plan = plan_blank_vin(Image.from_bytes(bytes(memory)), DONOR_VIN)
    blank = after(bytes(memory), plan)
    if len(stored) == 17:
        assert blank[0x20:0x31] == b"\xff" * 17
    else:
        assert blank[0x20:0x41:2] == b"\xff" * 17
        assert blank[0x21:0x42:2] == memory[0x21:0x42:2]


def test_vin_that_is_not_there_is_no_plan() -> None:
    with pytest.raises(PlanError, match="not in the image"):
        plan_blank_vin(Image.from_bytes(b"\xff" * 256), DONOR_VIN)


@pytest.mark.parametrize("form", ALL_FORMS)
@pytest.mark.parametrize("seed", range(3))
def test_vin_alone_loses_its_bits_in_every_form_and_no_others(form: str, seed: int) -> None:
    rng = random.Random(f"{form}-{seed}")
    planted = plant(rng.randbytes(512), DONOR_VIN, form, rng)
    image = Image.from_bytes(planted.image)
    blank = after(planted.image, plan_blank_vin(image, DONOR_VIN))
    marks = dict(planted.cells)
    expected = bytes(value | marks.get(place, 0) for place, value in enumerate(planted.image))
    assert blank == expected
    left = find_identity(Image.from_bytes(blank), DONOR_VIN)
    # Two random bytes may happen to be its last digits as a number, where it never lay.
    at_home = [match for match in left if any(place in match.span for place in marks)]
    assert not [match for match in at_home if is_telling(match)]
    assert not [match for match in left if match.part == "whole"]


def layout_if_exact(text: str) -> Layout | None:
    """None where whole words or bytes hold more than the text: no layout can say that."""
    try:
        return parse_layout(text)
    except LayoutError as error:
        if "type vin takes 17 bytes" not in str(error):
            raise
        return None


@pytest.mark.parametrize("form", [form for form in ALL_FORMS if form != "split"])
def test_layout_region_loses_the_bits_of_its_form_alone(form: str) -> None:
    rng = random.Random(form)
    planted = plant(rng.randbytes(512), DONOR_VIN, form, rng)
    unit = int(form[8:10]) // 8 if form.startswith("swapped") else 1
    stride = int(form[6]) if form.startswith("every") else 1
    start = planted.start - planted.start % unit
    end = planted.start + -(-(planted.end - start) // unit) * unit - (planted.start - start)
    end = max(end, start + 17 * stride) if stride > 1 else end
    text = MODULE.format(start=start, length=end - start, form=planted.name)
    layout = layout_if_exact(text)
    image = Image.from_bytes(planted.image)
    if layout is None or decode_fields(layout, image)[0].value != DONOR_VIN:
        assert unit > 1 or stride > 1 or "packed" in form  # It begins inside a word.
        return
    blank = after(planted.image, plan_blank(image, layout))
    marks = dict(planted.cells)
    for place, (old, new) in enumerate(zip(planted.image, blank, strict=True)):
        if place in marks:
            assert new == old | marks[place]
        elif not start <= place < end:
            assert new == old


def test_layout_cannot_place_a_split_text() -> None:
    text = LAYOUT.replace('stored_as = "reversed"', 'stored_as = "split"')
    with pytest.raises(LayoutError):
        parse_layout(text)


@pytest.mark.parametrize("form", ["swapped-16", "swapped-16+inverted", "swapped-32"])
def test_vin_in_whole_words_leaves_the_neighbour_in_its_last_word_alone(form: str) -> None:
    unit = int(form[8:10]) // 8
    length = -(-17 // unit) * unit
    text = DONOR_VIN.encode() + bytes(range(0x61, 0x61 + length - 17))
    if form.endswith("inverted"):
        text = bytes(value ^ 0xFF for value in text)
    stored = b"".join(text[at : at + unit][::-1] for at in range(0, length, unit))
    memory = bytearray(b"\x5a" * 512)
    memory[0x40 : 0x40 + length] = stored
    layout = parse_layout(MODULE.format(start=0x40, length=length, form=form))
    image = Image.from_bytes(bytes(memory))
    assert decode_fields(layout, image)[0].value == DONOR_VIN
    blank = after(bytes(memory), plan_blank(image, layout))
    words = b"".join(blank[at : at + unit][::-1] for at in range(0x40, 0x40 + length, unit))
    assert words[:17] == b"\xff" * 17
    assert words[17:] == text[17:]
    blanked = decode_fields(layout, Image.from_bytes(blank))[0]
    assert blanked.state == "blank"
