"""S-record: malformed files, each refused with its place; the legal variants read.

Source of the rules: srec_motorola(5) manual page; M68000 Family Programmer's Reference
Manual, appendix on S-records (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from memtool.core.finding import Severity
from memtool.core.image import Image
from memtool.core.span import Span
from memtool.errors import ImageFormatError
from memtool.formats.codec import ImageFormat, parse_image
from memtool.formats.s_record import S_RECORD
from tests.formats.hex_lines import srec, srec_file, text
from tests.formats.reading_ways import read_in_blocks, records_by_lines, records_in_a_block

HEAD = srec(0, 0, b"HDR")
DATA = srec(1, 0, b"\x01\x02\x03\x04")
MORE = srec(1, 4, b"\x05\x06\x07\x08")
END = srec(9, 0)


@dataclass(frozen=True)
class Bad:
    """A malformed file, and the first fault that must be named."""

    data: bytes
    code: str
    line: int
    expected: str | None = None
    found: str | None = None


MALFORMED = {
    "no end record": Bad(text(HEAD, DATA), "missing-end", 2, "S9", "end of file"),
    "no S7 after S3": Bad(text(srec(3, 0, b"\x01")), "missing-end", 1, "S7"),
    "wrong S5 count": Bad(text(DATA, srec(5, 9), END), "record-count", 2, "1", "9"),
    "published wrong S5 count": Bad(text(DATA, "S5030009F3", END), "record-count", 2, "1", "9"),
    "wrong S6 count": Bad(text(DATA, srec(6, 2), END), "record-count", 2, "1", "2"),
    "bad type digit behind": Bad(text(DATA, "S2" + MORE[2:], END), "mixed-types", 2, "S1", "S2"),
    "bad type digit before": Bad(text("S2" + DATA[2:], MORE, END), "mixed-types", 2, "S2", "S1"),
    "bad type digit between": Bad(
        text(DATA, "S3" + MORE[2:], srec(1, 8, b"\x09"), END), "mixed-types", 2, "S1", "S3"
    ),
    "data after end": Bad(text(DATA, END, MORE), "data-after-end", 3, "end of file", MORE[:16]),
    "two end records": Bad(text(DATA, END, END), "data-after-end", 3),
    "garbage after end": Bad(text(DATA, END, "garbage"), "data-after-end", 3),
    "bad checksum": Bad(
        text(srec(1, 0, b"\x01\x02\x03\x04", checksum=0), END), "record-checksum", 1, "EE", "00"
    ),
    "S4": Bad(text(DATA, "S4030000FC", END), "record-type", 2, "S0 to S3, S5 to S9", "S4"),
    "SA": Bad(text(DATA, "SA030000FC", END), "record-type", 2, None, "SA"),
    "count too big": Bad(text("S108" + DATA[4:], END), "record-length", 1, "07", "08"),
    "count too small": Bad(text("S106" + DATA[4:], END), "record-length", 1, "07", "06"),
    "hex after the checksum": Bad(text(DATA + "00", END), "text-after-record", 1),
    "text after the record": Bad(text(DATA + " x", END), "text-after-record", 1),
    "leading space": Bad(text(" " + DATA, END), "record-mark", 1, "'S'", "0x20"),
    "no S": Bad(text(DATA[1:], END), "record-mark", 1, "'S'", "'1'"),
    "comment line": Bad(text("* made by hand", DATA, END), "record-mark", 1, "'S'", "'*'"),
    "odd digit": Bad(text(DATA[:-1], END), "odd-digits", 1),
    "not a hex digit": Bad(text(DATA.replace("02", "0G"), END), "not-hex", 1, "hex digit", "'G'"),
    "underscore": Bad(text(DATA.replace("02", "_2"), END), "not-hex", 1),
    "full-width digit": Bad(text(DATA.replace("02", "0\uff12"), END), "not-hex", 1),
    "NUL": Bad(text(DATA.replace("02", "0\0"), END), "not-hex", 1, "hex digit", "0x00"),
    "byte order mark": Bad(b"\xef\xbb\xbf" + text(DATA, END), "byte-order-mark", 1),
    "CR alone": Bad(text(DATA, END, end="\r"), "line-end", 1, "CR LF", "CR"),
    "too short for its address": Bad(text("S3030000FC", DATA, END), "record-short", 1),
    "S5 with data": Bad(text(DATA, "S504000100FA", END), "record-length", 2, "03", "04"),
    "S9 with data": Bad(text(DATA, "S904000000FB"), "record-length", 2, "03", "04"),
    "S1 past 64 KiB": Bad(text(srec(1, 0xFFFF, b"\x01\x02"), END), "address-range", 1),
    "S3 past 4 GiB": Bad(text(srec(3, 0xFFFFFFFF, b"\x01\x02"), srec(7, 0)), "address-range", 1),
    "overlap with other bytes": Bad(
        text(DATA, srec(1, 2, b"\xaa\x04"), END), "overlap", 2, "03", "AA"
    ),
    "cut inside the last record": Bad(text(DATA, MORE)[:-6], "cut-short", 2),
    "header after data": Bad(text(DATA, HEAD, END), "header-after-data", 2),
    "no data": Bad(text(HEAD, END), "no-data", 1),
}


@pytest.mark.parametrize("named", [False, True], ids=["by content", "named"])
@pytest.mark.parametrize("case", MALFORMED)
def test_malformed_file_is_refused_with_line_expected_and_found(case: str, named: bool) -> None:
    bad = MALFORMED[case]
    with pytest.raises(ImageFormatError) as caught:
        parse_image(bad.data, format=ImageFormat.S_RECORD if named else None)
    error = caught.value
    assert (error.code, error.line) == (bad.code, bad.line)
    first = error.faults[0]
    assert (first.code, first.text) == (bad.code, error.message)
    assert first.expected is not None
    assert first.found is not None
    if bad.expected is not None:
        assert first.expected == bad.expected
    if bad.found is not None:
        assert first.found == bad.found
    assert error.next_step


@pytest.mark.parametrize("case", MALFORMED)
def test_whole_file_reader_leaves_malformed_files_to_the_line_reader(
    case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    read_in_blocks(monkeypatch)
    with pytest.raises(ImageFormatError) as caught:
        parse_image(MALFORMED[case].data)
    assert caught.value.code == MALFORMED[case].code


LEGAL = {
    "S1 and S9": text(HEAD, DATA, END),
    "no header": text(DATA, END),
    "empty header": text(srec(0, 0), DATA, END),
    "S2 and S8": text(HEAD, srec(2, 0, b"\x01\x02\x03\x04"), srec(8, 0)),
    "S3 and S7": text(HEAD, srec(3, 0, b"\x01\x02\x03\x04"), srec(7, 0)),
    "S5 count": text(HEAD, DATA, srec(5, 1), END),
    "S6 count": text(HEAD, DATA, srec(6, 1), END),
    "start address": text(HEAD, DATA, srec(9, 0x1234)),
    "lower-case digits": text("S1" + DATA[2:].lower(), "S9" + END[2:].lower()),
    "CRLF": text(HEAD, DATA, END, end="\r\n"),
    "no line end at the end": text(HEAD, DATA, END)[:-1],
    "zero-length data record": text(DATA, srec(1, 0x40), END),
}


@pytest.mark.parametrize("case", LEGAL)
def test_legal_variant_is_read_without_a_finding(case: str) -> None:
    parsed = parse_image(LEGAL[case])
    assert parsed.format is ImageFormat.S_RECORD
    assert parsed.image == Image.from_bytes(b"\x01\x02\x03\x04")
    assert parsed.findings == ()


@pytest.mark.parametrize(("kind", "size"), [(1, 252), (2, 251), (3, 250)])
def test_longest_record_of_each_type_is_read(kind: int, size: int) -> None:
    line = srec(kind, 0x10, bytes(range(size)))
    assert len(line) == 514
    parsed = parse_image(text(line, srec(10 - kind, 0)))
    assert parsed.image == Image.from_bytes(bytes(range(size)), base=0x10)


ODD = {
    "overlap with the same bytes": (text(DATA, srec(1, 2, b"\x03\x04"), END), "overlap-same"),
    "second header": (text(HEAD, HEAD, DATA, END), "record-header"),
    "header at another address": (text(srec(0, 1, b"HDR"), DATA, END), "record-header"),
    "S1 ended by S7": (text(DATA, srec(7, 0)), "end-type"),
    "S1 ended by S8": (text(DATA, srec(8, 0)), "end-type"),
    "S2 ended by S9": (text(srec(2, 0, b"\x01\x02\x03\x04"), END), "end-type"),
    "S1 and S3": (text(srec(1, 0, b"\x01"), srec(3, 1, b"\x02\x03\x04"), END), "mixed-types"),
    "S1 and S3 ended by S7": (
        text(srec(1, 0, b"\x01"), srec(3, 1, b"\x02\x03\x04"), srec(7, 0)),
        "mixed-types",
    ),
    "small s": (text(DATA.lower(), END.lower()), "lower-case-mark"),
    "count before the data": (text(srec(5, 0), DATA, END), "record-count-early"),
    "blank line": (text(DATA, "", END), "blank-lines"),
}


@pytest.mark.parametrize("case", ODD)
def test_odd_but_safe_file_is_read_with_a_warning(case: str) -> None:
    data, code = ODD[case]
    parsed = parse_image(data)
    assert parsed.image == Image.from_bytes(b"\x01\x02\x03\x04")
    assert [(item.code, item.severity) for item in parsed.findings] == [(code, Severity.WARNING)]


@pytest.mark.parametrize("case", [*LEGAL, *ODD])
def test_whole_file_reader_gives_the_same_image_and_findings(
    case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = LEGAL[case] if case in LEGAL else ODD[case][0]
    slow = parse_image(data)
    read_in_blocks(monkeypatch)
    assert parse_image(data) == slow


@pytest.mark.parametrize("kind", [1, 2, 3])
def test_whole_file_reader_really_reads_an_ordinary_file(kind: int) -> None:
    # Asked directly, since the line reader would read the same and hide its silence.
    data = srec_file([(0x100, bytes(range(200))), (0x4000, b"\x07")], kind=kind)
    found = records_in_a_block(S_RECORD, data)
    assert found == records_by_lines(S_RECORD, data)
    assert found is not None
    assert len(found) == 1 + 14 + 2


def test_overlap_is_settled_by_the_last_record_only_on_purpose() -> None:
    data = text(DATA, srec(1, 2, b"\xaa"), END)
    parsed = parse_image(data, overlap_last=True)
    assert parsed.image == Image.from_bytes(b"\x01\x02\xaa\x04")
    assert parsed.findings[0].spans == (Span(2, 3),)


def test_missing_end_is_accepted_only_on_purpose_and_noted() -> None:
    parsed = parse_image(text(HEAD, DATA), accept_missing_end=True)
    assert [item.code for item in parsed.findings] == ["missing-end"]


def test_unreadable_record_does_not_make_the_count_wrong() -> None:
    bad = srec(1, 4, b"\x01", checksum=0)
    with pytest.raises(ImageFormatError) as caught:
        parse_image(text(DATA, bad, srec(5, 2), END))
    assert [fault.code for fault in caught.value.faults] == ["record-checksum"]
