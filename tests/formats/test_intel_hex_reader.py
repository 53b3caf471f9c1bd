"""Intel HEX: the table of malformed files, each refused with its place; the legal variants read.

Source of the rules: Intel, "Hexadecimal Object File Format Specification", Rev. A, 1988.
"""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from memtool.core.finding import Severity
from memtool.core.image import Image
from memtool.core.span import Span
from memtool.errors import ImageFormatError
from memtool.formats.codec import ImageFormat, parse_image
from tests.formats.hex_lines import END, ihex, ihex_file, text
from tests.formats.reading_ways import read_in_blocks

DATA = ihex(0, 0, b"\x01\x02\x03\x04")
MORE = ihex(0, 4, b"\x05\x06\x07\x08")


@dataclass(frozen=True)
class Bad:
    """A malformed file, and the first fault that must be named."""

    data: bytes
    code: str
    line: int
    expected: str | None = None
    found: str | None = None


MALFORMED = {
    "no end record": Bad(text(DATA, MORE), "missing-end", 2, END, "end of file"),
    "empty file": Bad(b"", "empty-file", 0),
    "blank lines only": Bad(b"\n\n\r\n", "blank-file", 1),
    "data after end": Bad(text(DATA, END, MORE), "data-after-end", 3, "end of file", MORE[:16]),
    "garbage after end": Bad(text(DATA, END, "garbage"), "data-after-end", 3),
    "DOS end of file after end": Bad(text(DATA, END) + b"\x1a", "data-after-end", 3),
    "padding after end": Bad(text(DATA, END) + b"\xff" * 4096, "data-after-end", 3),
    "two end records": Bad(text(DATA, END, END), "data-after-end", 3),
    "end with data": Bad(text(DATA, ihex(1, 0, b"\x00")), "record-length", 2, "00", "01"),
    "overlap with other bytes": Bad(
        text(DATA, ihex(0, 2, b"\xaa\x04"), END), "overlap", 2, "03", "AA"
    ),
    "02 then 04": Bad(
        text(ihex(2, 0, b"\x10\x00"), DATA, ihex(4, 0, b"\x00\x01"), MORE, END),
        "mixed-addressing",
        3,
        "type 02",
        "type 04",
    ),
    "04 then 02": Bad(
        text(ihex(4, 0, b"\x00\x01"), DATA, ihex(2, 0, b"\x10\x00"), MORE, END),
        "mixed-addressing",
        3,
        "type 04",
        "type 02",
    ),
    "04 too short": Bad(text(ihex(4, 0, b"\x01"), DATA, END), "record-length", 1, "02", "01"),
    "04 too long": Bad(
        text(ihex(4, 0, b"\x00\x01\x02"), DATA, END), "record-length", 1, "02", "03"
    ),
    "02 too long": Bad(
        text(ihex(2, 0, b"\x00\x01\x02"), DATA, END), "record-length", 1, "02", "03"
    ),
    "03 too short": Bad(text(ihex(3, 0, b"\x00\x01"), DATA, END), "record-length", 1, "04", "02"),
    "05 too long": Bad(text(ihex(5, 0, bytes(5)), DATA, END), "record-length", 1, "04", "05"),
    "past 4 GiB": Bad(
        text(ihex(4, 0, b"\xff\xff"), ihex(0, 0xFFFE, b"\x01\x02\x03"), END), "address-range", 2
    ),
    "leading spaces": Bad(text("  " + DATA, END), "record-mark", 1, "':'", "0x20"),
    "leading tab": Bad(text("\t" + DATA, END), "record-mark", 1, "':'", "0x09"),
    "text after the record": Bad(text(DATA + " ; text", END), "text-after-record", 1),
    "trailing blank": Bad(text(DATA + " ", END), "text-after-record", 1, "end of line", " "),
    "byte order mark": Bad(
        b"\xef\xbb\xbf" + text(DATA, END), "byte-order-mark", 1, "':'", "EF BB BF"
    ),
    "UTF-16": Bad(text(DATA, END).decode().encode("utf-16"), "byte-order-mark", 1),
    "bad checksum": Bad(
        text(ihex(0, 0, b"\x01\x02\x03\x04", checksum=0xF3), END), "record-checksum", 1, "F2", "F3"
    ),
    "length too big": Bad(text(":05" + DATA[3:], END), "record-length", 1, "04", "05"),
    "length too small": Bad(text(":03" + DATA[3:], END), "record-length", 1, "04", "03"),
    "hex after the checksum": Bad(
        text(DATA + "00", END), "text-after-record", 1, "end of line", "00"
    ),
    "two records in a line": Bad(text(DATA + MORE, END), "text-after-record", 1),
    "type 06": Bad(text(DATA, ihex(6, 0, b"\x01"), END), "record-type", 2, "00 to 05", "06"),
    "type FF": Bad(text(DATA, ihex(255, 0), END), "record-type", 2, "00 to 05", "FF"),
    "no colon": Bad(text(DATA[1:], END), "record-mark", 1, "':'", "'0'"),
    "comment line": Bad(text("; made by hand", DATA, END), "record-mark", 1, "':'", "';'"),
    "odd digit": Bad(text(DATA[:-1], END), "odd-digits", 1),
    "not a hex digit": Bad(text(DATA.replace("02", "0G"), END), "not-hex", 1, "hex digit", "'G'"),
    "NUL": Bad(text(DATA.replace("02", "0\0"), END), "not-hex", 1, "hex digit", "0x00"),
    "full-width digit": Bad(
        text(DATA.replace("02", "0\uff12"), END), "not-hex", 1, "hex digit", "0xEF"
    ),
    "underscore": Bad(text(DATA.replace("02", "_2"), END), "not-hex", 1, "hex digit", "'_'"),
    "blank inside": Bad(text(DATA.replace("02", " 2"), END), "not-hex", 1, "hex digit", "0x20"),
    "CR alone": Bad(text(DATA, MORE, END, end="\r"), "line-end", 1, "CR LF", "CR"),
    "mark alone": Bad(text(DATA, ":", END), "record-short", 2),
    "record too short": Bad(text(DATA, ":00000000"[:9], END), "record-short", 2),
    "cut inside the last record": Bad(text(DATA, MORE)[:-6], "cut-short", 2),
    "no data": Bad(text(END), "no-data", 1),
}


@pytest.mark.parametrize("case", MALFORMED)
def test_malformed_file_is_refused_with_line_expected_and_found(case: str) -> None:
    bad = MALFORMED[case]
    with pytest.raises(ImageFormatError) as caught:
        parse_image(bad.data)
    error = caught.value
    assert (error.code, error.line or 0) == (bad.code, bad.line)
    first = error.faults[0]
    assert first.code == bad.code
    assert first.text == error.message
    assert first.expected is not None
    assert first.found is not None
    if bad.expected is not None:
        assert first.expected == bad.expected
    if bad.found is not None:
        assert first.found == bad.found
    assert error.next_step


@pytest.mark.parametrize(
    "case", [case for case in MALFORMED if case not in ("empty file", "blank lines only", "UTF-16")]
)
def test_malformed_file_is_refused_by_its_named_format_too(case: str) -> None:
    with pytest.raises(ImageFormatError) as caught:
        parse_image(MALFORMED[case].data, format=ImageFormat.INTEL_HEX)
    assert caught.value.code == MALFORMED[case].code


LEGAL = {
    "lower case": text(DATA.lower(), END.lower()),
    "zero-length data record": text(DATA, ihex(0, 0x40), END),
    "CRLF": text(DATA, END, end="\r\n"),
    "mixed line ends": text(DATA, end="\r\n") + text(END),
    "no line end at the end": text(DATA, END)[:-1],
    "start segment address": text(ihex(3, 0, b"\x00\x00\x38\x00"), DATA, END),
    "start linear address": text(DATA, ihex(5, 0, b"\x00\x00\x00\xcd"), END),
    "base 0 by type 04": text(ihex(4, 0, b"\x00\x00"), DATA, END),
    "base 0 by type 02": text(ihex(2, 0, b"\x00\x00"), DATA, END),
}


@pytest.mark.parametrize("case", LEGAL)
def test_legal_variant_is_read_without_a_finding(case: str) -> None:
    parsed = parse_image(LEGAL[case])
    assert parsed.format is ImageFormat.INTEL_HEX
    assert parsed.image == Image.from_bytes(b"\x01\x02\x03\x04")
    assert parsed.findings == ()


def test_record_of_255_bytes_is_read() -> None:
    data = bytes(range(255))
    assert parse_image(text(ihex(0, 0x10, data), END)).image == Image.from_bytes(data, base=0x10)


ODD = {
    "overlap with the same bytes": (text(DATA, ihex(0, 2, b"\x03\x04"), END), "overlap-same"),
    "04 with an address": (text(ihex(4, 0x100, b"\x00\x00"), DATA, END), "record-offset"),
    "02 with an address": (text(ihex(2, 0x100, b"\x00\x00"), DATA, END), "record-offset"),
    "two start records": (text(*[ihex(5, 0, bytes(4))] * 2, DATA, END), "start-records"),
    "end with an address": (text(DATA, ihex(1, 0x100)), "end-address"),
    "blank line inside": (text(DATA, "", END), "blank-lines"),
    "blank line after the end": (text(DATA, END, ""), "blank-lines"),
}


@pytest.mark.parametrize("case", ODD)
def test_odd_but_safe_file_is_read_with_a_warning(case: str) -> None:
    data, code = ODD[case]
    parsed = parse_image(data)
    assert parsed.image == Image.from_bytes(b"\x01\x02\x03\x04")
    assert [(item.code, item.severity) for item in parsed.findings] == [(code, Severity.WARNING)]


WRAPPING = {
    "02 across its segment's end": text(":020000021000EC", ":04FFFE0001020304F5", END),
    "across 64 KiB without 02 and 04": text(":04FFFE0001020304F5", END),
}


def test_type_02_wraps_inside_its_segment_with_a_warning() -> None:
    # The specification's section 4: SBA + ((offset + index) mod 64K).
    parsed = parse_image(WRAPPING["02 across its segment's end"])
    assert parsed.image == Image.from_pieces([(0x1FFFE, b"\x01\x02"), (0x10000, b"\x03\x04")])
    assert [item.code for item in parsed.findings] == ["segment-wrap"]
    assert parsed.findings[0].spans == (Span(0x10000, 0x10002),)


def test_type_04_runs_on_across_64_kib_without_a_finding() -> None:
    # The specification's section 3: (LBA + offset + index) mod 4G.
    parsed = parse_image(text(":020000040001F9", ":04FFFE0001020304F5", END))
    assert parsed.image == Image.from_bytes(b"\x01\x02\x03\x04", base=0x1FFFE)
    assert parsed.findings == ()


AGREEING = {
    "as GNU objcopy writes past 1 MiB": (
        [ihex(2, 0, b"\xf0\x00"), DATA, ihex(2, 0, b"\x00\x00"), ihex(4, 0, b"\x00\x10"), DATA],
        [(0xF0000, b"\x01\x02\x03\x04"), (0x100000, b"\x01\x02\x03\x04")],
    ),
    "zero of the other kind first": (
        [ihex(4, 0, b"\x00\x00"), ihex(2, 0, b"\x10\x00"), DATA],
        [(0x10000, b"\x01\x02\x03\x04")],
    ),
    "not zero, but no data follows": (
        [DATA, ihex(4, 0, b"\x00\x10"), ihex(2, 0, b"\x10\x00"), ihex(0, 9)],
        [(0, b"\x01\x02\x03\x04")],
    ),
}


@pytest.mark.parametrize("case", AGREEING)
def test_both_kinds_of_address_records_are_read_with_a_note_where_all_readings_agree(
    case: str,
) -> None:
    lines, pieces = AGREEING[case]
    parsed = parse_image(text(*lines, END))
    assert parsed.image == Image.from_pieces(pieces)
    assert [(item.code, item.severity) for item in parsed.findings] == [
        ("mixed-addressing", Severity.INFO)
    ]


@pytest.mark.parametrize(
    "lines",
    [
        # To some readers the base is the last record's, others add both: 0x20000, 0x30000.
        [ihex(2, 0, b"\x10\x00"), ihex(4, 0, b"\x00\x02"), DATA],
        [ihex(4, 0, b"\x00\x02"), ihex(2, 0, b"\x10\x00"), DATA],
        # Zero of the second kind: 0 or 0x20000.
        [ihex(4, 0, b"\x00\x02"), ihex(2, 0, b"\x00\x00"), DATA],
    ],
)
def test_both_kinds_of_address_records_are_refused_where_readings_differ(
    lines: list[str],
) -> None:
    with pytest.raises(ImageFormatError) as caught:
        parse_image(text(*lines, END))
    assert (caught.value.code, caught.value.line) == ("mixed-addressing", 2)


def test_record_across_64_kib_wraps_by_the_kind_of_base_in_force() -> None:
    across = ihex(0, 0xFFFE, b"\x01\x02\x03\x04")
    lines = [ihex(2, 0, b"\x10\x00"), across, ihex(2, 0, bytes(2)), ihex(4, 0, b"\x00\x10"), across]
    parsed = parse_image(text(*lines, END))
    assert parsed.image == Image.from_pieces(
        [(0x1FFFE, b"\x01\x02"), (0x10000, b"\x03\x04"), (0x10FFFE, b"\x01\x02\x03\x04")]
    )
    assert [item.code for item in parsed.findings] == ["mixed-addressing", "segment-wrap"]


def test_file_without_address_records_wraps_at_64_kib_with_a_warning() -> None:
    parsed = parse_image(WRAPPING["across 64 KiB without 02 and 04"])
    assert parsed.image == Image.from_pieces([(0, b"\x03\x04"), (0xFFFE, b"\x01\x02")])
    assert [item.code for item in parsed.findings] == ["segment-wrap"]


def test_last_byte_of_4_gib_is_read() -> None:
    parsed = parse_image(text(ihex(4, 0, b"\xff\xff"), ihex(0, 0xFFFF, b"\x5a"), END))
    assert parsed.image == Image.from_bytes(b"\x5a", base=0xFFFFFFFF)


def test_overlap_is_settled_by_the_last_record_only_on_purpose() -> None:
    data = text(ihex(0, 4, b"\x10\x20"), DATA, ihex(0, 2, b"\xaa\x04\xbb"), END)
    with pytest.raises(ImageFormatError) as caught:
        parse_image(data)
    assert caught.value.fault_count == 1
    assert caught.value.address == 2
    assert "line 2" in caught.value.message
    assert "--overlap last" in (caught.value.next_step or "")
    parsed = parse_image(data, overlap_last=True)
    assert parsed.image == Image.from_bytes(b"\x01\x02\xaa\x04\xbb\x20")
    codes = {item.code: item.spans for item in parsed.findings}
    assert codes == {"overlap-last": (Span(2, 3), Span(4, 5)), "overlap-same": (Span(3, 4),)}


def test_last_record_wins_by_order_of_the_file_not_of_addresses() -> None:
    data = text(ihex(0, 4, b"\x44\x55"), ihex(0, 3, b"\x33\x99\x99"), ihex(0, 5, b"\x11"), END)
    parsed = parse_image(data, overlap_last=True)
    assert parsed.image == Image.from_bytes(b"\x33\x99\x11", base=3)


def test_missing_end_is_accepted_only_on_purpose_and_noted() -> None:
    parsed = parse_image(text(DATA), accept_missing_end=True)
    assert parsed.image == Image.from_bytes(b"\x01\x02\x03\x04")
    assert [item.code for item in parsed.findings] == ["missing-end"]


def test_accepting_a_missing_end_accepts_no_cut_record() -> None:
    with pytest.raises(ImageFormatError) as caught:
        parse_image(text(DATA, MORE)[:-5], accept_missing_end=True)
    assert [fault.code for fault in caught.value.faults] == ["cut-short"]


def test_all_faults_are_reported_the_first_twenty_whole() -> None:
    lines = [ihex(0, 4 * number, b"\x01\x02\x03\x04", checksum=0) for number in range(30)]
    with pytest.raises(ImageFormatError) as caught:
        parse_image(text(DATA.replace("02", "0G"), *lines))
    error = caught.value
    assert error.fault_count == 32
    assert [fault.line for fault in error.faults] == list(range(1, 21))
    assert error.line == 1
    assert error.code == "not-hex"
    assert error.faults[0].column == 13


def test_faults_of_different_kinds_come_in_the_order_of_the_file() -> None:
    data = text(DATA, ihex(0, 2, b"\xaa"), MORE[:-1] + "0", ihex(6, 0), END, "x")
    with pytest.raises(ImageFormatError) as caught:
        parse_image(data)
    found = [(fault.line, fault.code) for fault in caught.value.faults]
    assert found == [
        (2, "overlap"),
        (3, "record-checksum"),
        (4, "record-type"),
        (6, "data-after-end"),
    ]


def test_fault_names_the_record_and_its_column() -> None:
    with pytest.raises(ImageFormatError) as caught:
        parse_image(text(ihex(4, 0, b"\x00\x01", checksum=0), DATA, END))
    fault = caught.value.faults[0]
    assert "extended linear address record (type 04)" in fault.text
    assert fault.column == 14


def test_unreadable_address_record_causes_no_further_overlap() -> None:
    bad = ihex(4, 0, b"\x00\x01", checksum=0)
    with pytest.raises(ImageFormatError) as caught:
        parse_image(text(DATA, bad, ihex(0, 0, b"\x99\x99"), END))
    assert caught.value.fault_count == 1


def test_two_bytes_4_gib_apart_are_two_small_segments() -> None:
    parsed = parse_image(text(DATA, ihex(4, 0, b"\xff\xff"), ihex(0, 0xFFFF, b"\x01"), END))
    assert parsed.image.size == 5
    assert len(parsed.image.segments) == 2


@pytest.mark.parametrize("step", [1, 3])
def test_long_and_short_files_are_read_alike(step: int, monkeypatch: pytest.MonkeyPatch) -> None:
    data = ihex_file(
        [(0xFFF0, bytes(range(200)) * step), (0x20000, b"\x01" * 77)], length=step * 10
    )
    short = parse_image(data)
    read_in_blocks(monkeypatch)
    assert parse_image(data) == short


@pytest.mark.parametrize("case", MALFORMED)
def test_whole_file_reader_leaves_malformed_files_to_the_line_reader(
    case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    read_in_blocks(monkeypatch)
    with pytest.raises(ImageFormatError) as caught:
        parse_image(MALFORMED[case].data)
    assert caught.value.code == MALFORMED[case].code


@pytest.mark.parametrize("case", [*LEGAL, *ODD])
def test_whole_file_reader_gives_the_same_image_and_findings(
    case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = LEGAL[case] if case in LEGAL else ODD[case][0]
    slow = parse_image(data)
    read_in_blocks(monkeypatch)
    assert parse_image(data) == slow
