"""Files long enough for the whole-file reader: several blocks, and what carries over."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest

from memtool.core.image import Image
from memtool.errors import ImageFormatError
from memtool.formats.codec import ImageFormat, parse_image
from tests.formats.hex_lines import END, ihex, ihex_file, split, srec_file, text

DATA = random.Random(3).randbytes(700_000)
PIECES = [(0x8000, DATA[:400_000]), (0x200000, DATA[400_000:])]
IMAGE = Image.from_pieces(PIECES)


def segmented_file() -> bytes:
    """The first 600,000 bytes at 0x8000 with a type 02 record for each 64 KiB."""
    lines, base = [], 0
    for address, data in split([(0x8000, DATA[:600_000])], 16):
        if address >> 16 != base:
            base = address >> 16
            lines.append(ihex(2, 0, (base << 12).to_bytes(2, "big")))
        lines.append(ihex(0, address & 0xFFFF, data))
    return text(*lines, END)


def test_long_intel_hex_file_is_read_across_blocks() -> None:
    data = ihex_file(PIECES)
    assert len(data) > 3 * 512 * 1024
    assert parse_image(data).image == IMAGE
    assert parse_image(data.replace(b"\n", b"\r\n")).image == IMAGE
    assert parse_image(data[:-1].lower()).image == IMAGE


def test_long_segmented_file_is_read_across_blocks() -> None:
    parsed = parse_image(segmented_file())
    assert parsed.image == Image.from_bytes(DATA[:600_000], base=0x8000)


def test_long_s_record_file_is_read_across_blocks() -> None:
    data = srec_file(PIECES, length=32)
    assert parse_image(data).image == IMAGE
    assert parse_image(data.replace(b"\n", b"\r\n")).image == IMAGE


def test_blank_line_at_the_end_of_a_long_file_is_a_warning() -> None:
    for data in (ihex_file(PIECES), srec_file(PIECES)):
        parsed = parse_image(data + b"\r\n")
        assert parsed.image == IMAGE
        assert [finding.code for finding in parsed.findings] == ["blank-lines"]


def test_records_in_any_order_are_one_image() -> None:
    lines = ihex_file([(0, DATA[:60_000])]).splitlines()[:-1]
    random.Random(4).shuffle(lines)
    data = b"\n".join([*lines, END.encode()])
    assert parse_image(data).image == Image.from_bytes(DATA[:60_000])


def late_type_04(data: bytes) -> bytes:
    return data.replace(
        END.encode(), f"{ihex(4, 0, bytes(2))}\n{ihex(0, 0, DATA[:4])}\n{END}".encode()
    )


DAMAGE: dict[str, tuple[Callable[[bytes], bytes], str]] = {
    "digit in the last block": (lambda data: data[:-20] + b"G" + data[-19:], "not-hex"),
    "second end record": (lambda data: data + END.encode(), "data-after-end"),
    "end record in the first block": (lambda data: END.encode() + b"\n" + data, "data-after-end"),
    "no end record": (lambda data: data.replace(END.encode() + b"\n", b""), "missing-end"),
    "04 after 02 in another block": (
        lambda data: late_type_04(segmented_file()),
        "mixed-addressing",
    ),
    "overlap with the first block": (
        lambda data: data.replace(
            END.encode(), f"{ihex(4, 0, bytes(2))}\n{ihex(0, 0x8000, bytes(3))}\n{END}".encode()
        ),
        "overlap",
    ),
    "one line without end": (lambda data: data.replace(b"\n", b""), "text-after-record"),
}


@pytest.mark.parametrize("case", DAMAGE)
def test_damage_in_a_long_file_is_explained(case: str) -> None:
    damage, code = DAMAGE[case]
    with pytest.raises(ImageFormatError) as caught:
        parse_image(damage(ihex_file(PIECES)), format=ImageFormat.INTEL_HEX)
    assert code in {fault.code for fault in caught.value.faults}


def test_file_that_is_wrong_throughout_is_given_up_after_a_thousand_lines() -> None:
    bad = ihex(0, 0, b"\x01", checksum=0) + "\n"
    with pytest.raises(ImageFormatError) as caught:
        parse_image((bad * 100_000).encode())
    error = caught.value
    assert error.fault_count == 1000
    assert [fault.line for fault in error.faults] == list(range(1, 21))
    assert "the rest was not looked at" in (error.next_step or "")


def test_bad_lines_here_and_there_in_a_long_file_are_all_named() -> None:
    lines = ihex_file([(0, DATA[:200_000])]).splitlines(keepends=True)
    bad = [3, 4, 5000, 8000, len(lines)]
    for number in bad[:-1]:
        lines[number - 1] = lines[number - 1][:-3] + b"G\n"
    lines[-1] = lines[-1][:-2] + b"0\n"
    with pytest.raises(ImageFormatError) as caught:
        parse_image(b"".join(lines))
    assert [fault.line for fault in caught.value.faults] == [*bad, len(lines)]
    assert caught.value.faults[-1].code == "missing-end"


def test_blank_lines_in_a_long_file_are_counted_with_the_lines_around_them() -> None:
    lines = ihex_file([(0, DATA[:200_000])]).splitlines(keepends=True)
    lines[9_000:9_000] = [b"\n"] * 70_000
    lines[100:100] = [b"\r\n", b"\n"]
    parsed = parse_image(b"".join(lines))
    assert parsed.image == Image.from_bytes(DATA[:200_000])
    assert [item.text for item in parsed.findings] == [
        "The file has 70002 empty lines, the first is line 101."
    ]


def test_more_than_64_mib_of_data_is_refused_while_reading() -> None:
    line = f"{ihex(0, 0, bytes(255))}\n".encode()
    with pytest.raises(ImageFormatError) as caught:
        parse_image(line * (64 * 1024 * 1024 // 255 + 2))
    assert caught.value.code == "too-large"
