"""Names of stored forms, and undoing them, against an encoder that never saw memtool."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from memtool.core.texts.form_table import PAIRS
from memtool.core.texts.stored_forms import parse_stored_form
from tests.stored_texts import ALL_FORMS, plant

VIN = "1G4AH59H45G118341"
"""49 CFR 565.15, Table VI."""
NAMES = (
    *("plain", "lower-case", "swapped-16", "swapped-32", "reversed", "every-2", "every-4"),
    *(
        "utf-16-be",
        "utf-16-le",
        "inverted",
        "negated",
        "nibbles-swapped",
        "bits-reversed",
        "xor-5a",
    ),
    *("added-03", "packed-7-msb@0", "packed-7-lsb@7", "packed-6-msb@3", "packed-6-lsb@1", "split"),
    *("swapped-16+xor-ff", "swapped-32+packed-7-lsb@4", "every-2+inverted", "reversed+inverted"),
    *("swapped-16+packed-7-msb@15", "swapped-32+packed-7-lsb@31"),
)


@pytest.mark.parametrize("name", NAMES)
def test_name_is_read_and_written_alike(name: str) -> None:
    assert parse_stored_form(name).name == name


@pytest.mark.parametrize(
    "name",
    [
        *("", "plain ", "Plain", "xor", "xor-5A", "xor-00", "added-00", "xor-5", "added-100"),
        *(
            "packed-7-msb",
            "packed-7-msb@8",
            "swapped-16+packed-7-msb@16",
            "packed-5-msb@0",
            "every-0",
            "swapped-64",
            "utf-16",
        ),
        *("plain+inverted", "inverted+xor-5a", "every-4+inverted", "swapped-16+every-2"),
        *("swapped-16+packed-6-msb@0", "swapped-16+inverted+reversed", "+", "split+inverted"),
    ],
)
def test_name_outside_the_closed_list_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="is not a stored form"):
        parse_stored_form(name)


def test_pair_in_the_wrong_order_is_told_the_right_one() -> None:
    with pytest.raises(ValueError, match=r"order of undoing is 'reversed\+inverted'"):
        parse_stored_form("inverted+reversed")


def test_pairs_are_those_that_are_searched() -> None:
    searched = {tuple(form.split("+")) for form in ALL_FORMS if "+" in form}
    assert searched == {(first.name, second.name) for first, second in PAIRS}


# The field is what lies between the first and the last byte of the text; swapped words may
# hold a foreign byte before it, and the last packed byte foreign bits behind it.
def names_of_field(name: str) -> list[str]:
    """The form of a field that begins with the text's first word: bits count from there."""
    if "swapped" not in name or "packed" not in name:
        return [name]
    head, _, bit = name.partition("@")
    unit = int(name[8:10]) // 8
    return [f"{head}@{int(bit) + 8 * byte}" for byte in range(unit)]


@pytest.mark.parametrize("form", [form for form in ALL_FORMS if form != "split"])
def test_undo_gives_the_text_that_an_independent_encoder_stored(form: str) -> None:
    rng = random.Random(f"undo {form}")
    for _ in range(20):
        planted = plant(b"\xee" * 120, VIN, form, rng)
        field = planted.image[planted.start : planted.end]
        names = names_of_field(planted.name)
        texts = [parse_stored_form(name).undo(field) for name in names]
        found = [text for text in texts if VIN.encode() in text]
        assert len(found) == 1
        assert len(found[0]) <= len(VIN) + 4


@pytest.mark.parametrize("form", [form for form in ALL_FORMS if form != "split"])
def test_occupied_mask_covers_what_an_independent_encoder_wrote(form: str) -> None:
    rng = random.Random(f"mask {form}")
    for _ in range(20):
        planted = plant(b"\xee" * 120, VIN, form, rng)
        size, names = planted.end - planted.start, names_of_field(planted.name)
        masks = [parse_stored_form(name).occupied_mask(size) for name in names]
        assert any(
            all(mask[offset - planted.start] & bits == bits for offset, bits in planted.cells)
            for mask in masks
        )


def test_occupied_mask_leaves_foreign_bytes_and_bits() -> None:
    assert parse_stored_form("every-2").occupied_mask(5) == bytes([255, 0, 255, 0, 255])
    assert parse_stored_form("every-4").occupied_mask(5) == bytes([255, 0, 0, 0, 255])
    # Two characters of seven bits from bit 3 on end at bit 17; from the other side alike.
    assert parse_stored_form("packed-7-msb@3").occupied_mask(3) == bytes([0x1F, 0xFF, 0xFF])
    assert parse_stored_form("packed-7-msb@1").occupied_mask(2) == bytes([0x7F, 0xFE])
    assert parse_stored_form("packed-7-lsb@1").occupied_mask(2) == bytes([0xFE, 0x7F])
    assert parse_stored_form("swapped-16+packed-7-msb@1").occupied_mask(2) == bytes([0xFE, 0x7F])


def test_seven_bits_low_first_is_the_packing_of_short_messages() -> None:
    """3GPP TS 23.038, 6.1.2.1; the example is the well-known one of the SMS tutorials."""
    assert parse_stored_form("packed-7-lsb@0").undo(bytes.fromhex("E8329BFD4697D9EC37")) == (
        b"hellohello"
    )


def test_swapped_field_reads_as_two_programmers_dump_it() -> None:
    """A x16 part dumped with the bytes of each word exchanged: common practice, no source."""
    assert parse_stored_form("swapped-16").undo(b"G1A45HH9541G8143\xff1") == VIN.encode() + b"\xff"
    # A field swapped by itself leaves its odd last byte in place.
    assert parse_stored_form("swapped-16").undo(b"G1A45HH9541G81431") == VIN.encode()


def test_utf_16_unit_above_a_byte_is_no_character() -> None:
    assert parse_stored_form("utf-16-be").undo("A\u0416B".encode("utf-16-be")) == b"A\xffB"
    assert parse_stored_form("utf-16-le").undo("A\u0416B".encode("utf-16-le")) == b"A\xffB"


def test_split_does_not_say_where_its_pieces_lie() -> None:
    form = parse_stored_form("split")
    with pytest.raises(ValueError, match="describe each piece by itself"):
        form.undo(b"abc")
    with pytest.raises(ValueError, match="where its pieces lie"):
        form.occupied_mask(3)


@given(st.binary(max_size=64), st.sampled_from(NAMES))
def test_any_field_of_any_length_is_undone(raw: bytes, name: str) -> None:
    if name == "split":
        return
    form = parse_stored_form(name)
    text = form.undo(raw)
    assert len(form.occupied_mask(len(raw))) == len(raw)
    assert len(text) * form.bits <= 8 * len(raw) * (4 if "every" in name else 1)


@given(st.binary(max_size=64))
def test_forms_that_undo_themselves_do(raw: bytes) -> None:
    for name in ("reversed", "inverted", "negated", "nibbles-swapped", "bits-reversed", "xor-5a"):
        form = parse_stored_form(name)
        assert form.undo(form.undo(raw)) == raw
    for name in ("swapped-16", "swapped-32", "swapped-16+inverted"):
        form = parse_stored_form(name)
        assert form.undo(form.undo(raw)) == raw
