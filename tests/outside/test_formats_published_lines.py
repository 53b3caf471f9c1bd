"""Example lines of the formats' published descriptions, good and bad, source beside each."""

from __future__ import annotations

import pytest

from memtool.core.image import Image
from memtool.errors import ImageFormatError
from memtool.formats.codec import parse_image

END = b":00000001FF\n"

GOOD_INTEL_HEX = {
    # Intel, "Hexadecimal Object File Format Specification", Rev. A, 6 January 1988.
    ":10246200464C5549442050524F46494C4500464C33": (0x2462, b"FLUID PROFILE\0FL"),
    # Encyclopedia article "Intel HEX" (from memory).
    ":10010000214601360121470136007EFE09D2190140": (
        0x100,
        bytes.fromhex("214601360121470136007EFE09D21901"),
    ),
    ":0B0010006164647265737320676170A7": (0x10, b"address gap"),
}


@pytest.mark.parametrize("line", GOOD_INTEL_HEX)
def test_published_intel_hex_line_is_read(line: str) -> None:
    base, data = GOOD_INTEL_HEX[line]
    parsed = parse_image(line.encode() + b"\n" + END)
    assert parsed.image == Image.from_bytes(data, base=base)
    assert parsed.findings == ()


@pytest.mark.parametrize(
    ("line", "base"),
    [
        (":020000021200EA", 0x12000),  # the specification, type 02
        (":02000004FFFFFC", 0xFFFF0000),  # the specification, type 04
        (":0400000300003800C1", 0),  # encyclopedia article (from memory), type 03
        (":04000005000000CD2A", 0),  # encyclopedia article (from memory), type 05
    ],
)
def test_published_address_and_start_records_are_read(line: str, base: int) -> None:
    parsed = parse_image(line.encode() + b"\n:010010005A95\n" + END)
    assert parsed.image == Image.from_bytes(b"\x5a", base=base + 0x10)
    assert parsed.findings == ()


# A format page with wrong examples (cnblogs 3050286).
def test_published_wrong_end_record_is_refused() -> None:
    with pytest.raises(ImageFormatError) as caught:
        parse_image(b":010010005A95\n:00000001FE\n")
    fault = caught.value.faults[0]
    assert (fault.line, fault.expected, fault.found) == (2, "FF", "FE")


def test_published_wrong_data_record_is_refused() -> None:
    with pytest.raises(ImageFormatError) as caught:
        parse_image(b":0D011C0000000000C3E0FF0000000000C30F\n" + END)
    fault = caught.value.faults[0]
    assert fault.line == 1
    # The bytes after the length: thirteen are announced, and the right sum would be 71.
    assert (fault.code, fault.expected, fault.found) == ("record-checksum", "71", "0F")


def test_published_address_record_with_an_offset_is_read_with_a_warning() -> None:
    parsed = parse_image(b":02010002E0001B\n:010010005A95\n" + END)
    assert parsed.image == Image.from_bytes(b"\x5a", base=0xE0010)
    assert [finding.code for finding in parsed.findings] == ["record-offset"]


# The SRecord project's test suite.
SRECORD_SAMPLE = b"""\
S00600004844521B
S12300004E6F77206973207468652074696D6520666F7220616C6C20676F6F64206D656E93
S123002020746F20636F6D6520746F2074686520616964206F6620746865697220706172AF
S107004074792E0A93
S5030003F9
S9030000FC
"""


def test_published_s_record_file_is_read() -> None:
    parsed = parse_image(SRECORD_SAMPLE)
    sentence = b"Now is the time for all good men to come to the aid of their party.\n"
    assert parsed.image == Image.from_bytes(sentence)
    assert parsed.findings == ()


@pytest.mark.parametrize(
    ("line", "end", "base", "data"),
    [
        # M68000 Family Programmer's Reference Manual (from memory).
        (
            b"S1130000285F245F2212226A000424290008237C2A",
            b"S9030000FC",
            0,
            bytes.fromhex("285F245F2212226A000424290008237C"),
        ),
        # Calculated by hand from the definition.
        (
            b"S21D0100006461746120617420612068696768657220616464726573730034",
            b"S804000000FB",
            0x10000,
            b"data at a higher address\0",
        ),
        (b"S1090100010203040506E0", b"S9030000FC", 0x100, b"\x01\x02\x03\x04\x05\x06"),
    ],
)
def test_published_s_record_line_is_read(line: bytes, end: bytes, base: int, data: bytes) -> None:
    parsed = parse_image(line + b"\n" + end + b"\n")
    assert parsed.image == Image.from_bytes(data, base=base)


def test_wrong_count_that_another_library_accepts_is_refused() -> None:
    # bincopy 20.1.1 reads this file.
    with pytest.raises(ImageFormatError) as caught:
        parse_image(b"S1090100010203040506E0\nS5030009F3\nS9030000FC\n")
    assert caught.value.code == "record-count"
