"""Values of fields, each against an independent way to the number or text."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.core.image import Image
from memtool.core.layouts.fields import (
    DecodedField,
    FieldState,
    decode_bits,
    decode_field,
    decode_integer,
)
from memtool.core.layouts.layout import (
    BitField,
    FieldType,
    Layout,
    ModuleKind,
    Region,
    RegionKind,
    decode_fields,
    find_copy_faults,
)
from memtool.core.span import Span
from memtool.formats.layout_toml.parsing import parse_layout
from tests.sample_layout import LAYOUT, VIN, pack_seven_bits, sample_image


def region(
    kind: FieldType | None,
    length: int,
    *,
    name: str = "f",
    start: int = 0,
    of: RegionKind = RegionKind.STATE,
    stored_as: str = "plain",
    copy_of: str | None = None,
    bits: tuple[BitField, ...] = (),
) -> Region:
    return Region(
        name=name,
        span=Span(start, start + length),
        kind=of,
        type=kind,
        stored_as=stored_as,
        copy_of=copy_of,
        bits=bits,
    )


def decoded(kind: FieldType, raw: bytes, *, stored_as: str = "plain") -> DecodedField:
    field = decode_field(region(kind, len(raw), stored_as=stored_as), raw, erased=0xFF)
    assert field is not None
    return field


STRUCT_CODES = {
    FieldType.U8: ">B",
    FieldType.U16BE: ">H",
    FieldType.U16LE: "<H",
    FieldType.U32BE: ">I",
    FieldType.U32LE: "<I",
}


@pytest.mark.parametrize("number", STRUCT_CODES)
@given(data=st.data())
@settings(max_examples=30, deadline=None)
def test_integers_are_what_the_struct_module_reads(number: FieldType, data: st.DataObject) -> None:
    size = struct.calcsize(STRUCT_CODES[number])
    raw = data.draw(st.binary(min_size=size, max_size=size))
    assert decoded(number, raw).value == struct.unpack(STRUCT_CODES[number], raw)[0]


@given(st.binary(min_size=3, max_size=3))
@settings(max_examples=30, deadline=None)
def test_three_byte_integers_are_four_byte_ones_with_a_zero(raw: bytes) -> None:
    assert decode_integer(raw, FieldType.U24BE) == struct.unpack(">I", b"\0" + raw)[0]
    assert decode_integer(raw, FieldType.U24LE) == struct.unpack("<I", raw + b"\0")[0]


def test_integer_of_another_length_is_a_mistake_of_the_caller() -> None:
    with pytest.raises(ValueError, match="3 bytes are no u16be"):
        decode_integer(b"abc", FieldType.U16BE)
    with pytest.raises(ValueError, match="no ascii"):
        decode_integer(b"a", FieldType.ASCII)


@given(st.binary(min_size=1, max_size=4), st.data())
@settings(max_examples=80, deadline=None)
def test_bits_are_shifts_and_masks_of_one_big_endian_number(
    raw: bytes, data: st.DataObject
) -> None:
    high = data.draw(st.integers(0, 8 * len(raw) - 1))
    low = data.draw(st.integers(0, high))
    number = 0
    for byte in raw:
        number = number * 256 + byte
    (value,) = decode_bits(raw, [BitField(name="b", high=high, low=low)])
    assert value == {"name": "b", "value": (number >> low) % (1 << (high - low + 1))}


def test_bit_seven_is_the_most_significant_of_a_byte() -> None:
    runs = [BitField(name="top", high=7, low=7), BitField(name="rest", high=6, low=0)]
    assert [bit["value"] for bit in decode_bits(b"\x81", runs)] == [1, 1]
    assert [bit["value"] for bit in decode_bits(b"\x7f", runs)] == [0, 127]


@pytest.mark.parametrize(("high", "low"), [(8, 0), (0, 1), (3, -1)])
def test_bits_outside_the_field_are_a_mistake_of_the_caller(high: int, low: int) -> None:
    with pytest.raises(ValueError, match="are not in 8 bits"):
        decode_bits(b"\0", [BitField(name="b", high=high, low=low)])


@given(st.lists(st.integers(0, 99), min_size=1, max_size=8))
def test_bcd_gives_two_digits_a_byte(pairs: list[int]) -> None:
    raw = bytes(pair // 10 * 16 + pair % 10 for pair in pairs)
    field = decoded(FieldType.BCD, raw)
    if any(pairs):
        assert (field.state, field.value) == (
            FieldState.DECODED,
            "".join(f"{pair:02d}" for pair in pairs),
        )
    else:
        assert (field.state, field.value) == (FieldState.BLANK, None)


def test_bcd_with_a_half_byte_above_nine_is_faulty() -> None:
    field = decoded(FieldType.BCD, b"\x12\x3a")
    assert (field.state, field.value) == (FieldState.FAULTY, None)
    assert field.reason == "a half byte is above nine"


@pytest.mark.parametrize(
    ("raw", "value"),
    [
        (b"AB 12", "AB 12"),
        (b"AB12\0\0\0", "AB12"),
        (b"AB12\xff\xff", "AB12"),
        (b"AB12  \0\xff", "AB12"),
        (b" AB", " AB"),
    ],
)
def test_ascii_loses_its_padding_at_the_end_only(raw: bytes, value: str) -> None:
    field = decoded(FieldType.ASCII, raw)
    assert (field.state, field.value) == (FieldState.DECODED, value)


@pytest.mark.parametrize("raw", [b"A\0B", b"A\x1b[31m", b"A\xe4", b"\x7fA"])
def test_ascii_with_other_bytes_is_faulty_and_shows_nothing(raw: bytes) -> None:
    field = decoded(FieldType.ASCII, raw)
    assert (field.state, field.value) == (FieldState.FAULTY, None)
    assert field.reason == "not printable text"


def test_bytes_are_lower_case_hex() -> None:
    assert decoded(FieldType.BYTES, b"\xab\x00").value == "ab00"


STORED = {
    "plain": VIN.encode(),
    "lower-case": VIN.lower().encode(),
    "inverted": bytes(255 - byte for byte in VIN.encode()),
    "reversed": VIN.encode()[::-1],
    "utf-16-be": VIN.encode("utf-16-be"),
    "utf-16-le": VIN.encode("utf-16-le"),
    "every-2": b"".join(bytes([byte, 0x99]) for byte in VIN.encode()),
    "xor-5a": bytes(byte ^ 0x5A for byte in VIN.encode()),
    "added-03": bytes((byte + 3) % 256 for byte in VIN.encode()),
    "packed-7-msb@0": pack_seven_bits(VIN),
}


@pytest.mark.parametrize("form", STORED)
def test_vin_is_read_in_each_stored_form(form: str) -> None:
    field = decoded(FieldType.VIN, STORED[form], stored_as=form)
    assert (field.state, field.value, field.reason) == (FieldState.DECODED, VIN, None)


@pytest.mark.parametrize("raw", [b"\xff" * 17, bytes(17)])
def test_vin_that_is_erased_or_zero_is_blank(raw: bytes) -> None:
    field = decoded(FieldType.VIN, raw)
    assert (field.state, field.value) == (FieldState.BLANK, None)


def test_vin_with_a_letter_that_no_vin_has_is_faulty_and_shown() -> None:
    field = decoded(FieldType.VIN, VIN.replace("X", "O").encode())
    assert (field.state, field.value) == (FieldState.FAULTY, VIN.replace("X", "O"))
    assert field.reason is not None
    assert field.reason.startswith("not a VIN: ")


@given(
    kind=st.sampled_from([None, *FieldType]),
    form=st.sampled_from(["plain", "inverted", "split", "utf-16-be"]),
    raw=st.one_of(st.none(), st.binary(max_size=20)),
)
def test_protected_region_is_listed_and_never_decoded(
    kind: FieldType | None, form: str, raw: bytes | None
) -> None:
    protected = region(kind, 17, of=RegionKind.PROTECTED, stored_as=form)
    field = decode_field(protected, raw, erased=0xFF)
    assert field is not None
    assert (field.value, field.state, field.reason) == (None, FieldState.PROTECTED, None)


@given(
    st.sampled_from([kind for kind in FieldType if kind.value[0] != "u"]), st.binary(max_size=40)
)
@settings(deadline=None)
def test_no_content_makes_decoding_raise(kind: FieldType, raw: bytes) -> None:
    field = decode_field(region(kind, max(1, len(raw))), raw, erased=0xFF)
    assert field is not None
    assert (field.state is FieldState.FAULTY) is (field.reason is not None)


def test_region_without_a_type_is_no_field() -> None:
    assert decode_field(region(None, 4), b"abcd", erased=0xFF) is None


def test_field_with_undefined_bytes_has_no_value() -> None:
    layout = parse_layout(LAYOUT)
    image = Image.from_pieces([(0, sample_image()[:0x18]), (0x19, sample_image()[0x19:])])
    first, inverted, *_ = decode_fields(layout, image)
    assert (first.name, first.value, first.state) == ("VIN, first", None, FieldState.UNDEFINED)
    assert inverted.value == VIN


def test_sample_image_decodes_to_what_was_put_in() -> None:
    fields = decode_fields(parse_layout(LAYOUT), Image.from_bytes(sample_image()))
    assert {field.name: field.value for field in fields} == {
        "VIN, first": VIN,
        "VIN, inverted": VIN,
        "VIN, packed": VIN,
        "setup flags": (
            {"name": "VIN was written", "value": 1},
            {"name": "tries", "value": 2},
            {"name": "spare", "value": 6},
        ),
        "writes": 1337,
        "serial number": "T0001234",
        "made on": "20190412",
        "keys": None,
        "equipment": bytes(range(16)).hex(),
    }
    assert [field.span.start for field in fields] == sorted(field.span.start for field in fields)


def test_copies_that_hold_the_same_give_no_finding() -> None:
    assert find_copy_faults(parse_layout(LAYOUT), Image.from_bytes(sample_image())) == ()


def test_copy_that_differs_from_its_source_is_found_with_both_places() -> None:
    image = Image.from_bytes(sample_image()).with_bytes([(0x31, b"\x00")])
    (finding,) = find_copy_faults(parse_layout(LAYOUT), image)
    assert (finding.code, finding.spans) == ("copies-differ", (Span(0x30, 0x41), Span(0x10, 0x21)))
    assert "'VIN, inverted'" in finding.text
    assert "'VIN, first'" in finding.text


def test_copies_that_are_blank_in_their_own_form_are_equal() -> None:
    image = Image.from_bytes(sample_image()).with_bytes(
        [(0x10, b"\xff" * 17), (0x30, b"\xff" * 17), (0x50, b"\xff" * 15)]
    )
    assert find_copy_faults(parse_layout(LAYOUT), image) == ()


def test_packed_copy_is_compared_by_its_whole_characters_alone() -> None:
    """The last bit of fifteen bytes carries no character."""
    raw = sample_image()[0x50:0x5F]
    image = Image.from_bytes(sample_image()).with_bytes([(0x5E, bytes([raw[-1] | 1]))])
    assert find_copy_faults(parse_layout(LAYOUT), image) == ()


def test_copies_with_undefined_bytes_are_not_compared() -> None:
    layout = Layout(
        name="n",
        chip="24C01",
        size=128,
        module=ModuleKind.OTHER,
        regions=(
            region(FieldType.BYTES, 4, name="a"),
            region(FieldType.BYTES, 4, name="b", start=8, copy_of="a"),
        ),
    )
    assert find_copy_faults(layout, Image.from_bytes(b"abcd")) == ()
    assert find_copy_faults(layout, Image.from_bytes(b"abcd", base=8)) == ()
    assert len(find_copy_faults(layout, Image.from_bytes(b"abcd----abce"))) == 1


@pytest.mark.parametrize("last", [0xFE, 0xFF])
def test_packed_vin_is_blank_whatever_the_bit_behind_it(last: int) -> None:
    """Blanking leaves the one bit of fifteen bytes that carries no character."""
    raw = b"\xff" * 14 + bytes([last])
    assert decoded(FieldType.VIN, raw, stored_as="packed-7-msb@0").state is FieldState.BLANK


def test_text_that_holds_its_own_blank_pattern_is_blank() -> None:
    plain = Region(
        name="f",
        span=Span(0, 4),
        kind=RegionKind.STATE,
        type=FieldType.ASCII,
        blank_to=b"--",
    )
    for raw, state in ((b"----", FieldState.BLANK), (b"---A", FieldState.DECODED)):
        field = decode_field(plain, raw, erased=0xFF)
        assert field is not None
        assert field.state is state
