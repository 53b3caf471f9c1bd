"""Motorola S-record, read strictly: every line is right, or nothing is read.

Record: ``S`` type, count of the bytes that follow, address, data, checksum in hex digits.
The checksum is the one's complement of the low byte of the sum of count, address and data.

1. S1, S2, S3 hold data at 16, 24, 32 bits of address; a file keeps to one of them.
2. S9, S8, S7 end such a file, in this order; what follows the end is refused.
3. S5 (16 bits) and S6 (24 bits) count the data records before them, and must be right.
4. S0 is a header and comes before the data. S4 is reserved and refused.

Source: srec_motorola(5) manual page; M68000 Family Programmer's Reference Manual, appendix
on S-records (from memory).
"""

from __future__ import annotations

from typing import NamedTuple

from memtool.core.finding import Finding, Severity
from memtool.core.image import Image
from memtool.core.span import format_address
from memtool.errors import Fault
from memtool.formats.fault_list import FaultList
from memtool.formats.hex_line import (
    LineError,
    after_end,
    blank_lines,
    decode_digits,
    iter_lines,
    missing_end_accepted,
    no_data,
    require_mark,
)
from memtool.formats.parsed import (
    WHOLE_FILE_FROM,
    ImageFormat,
    ParsedImage,
    require_bytes,
    require_data_size,
    require_text_size,
)
from memtool.formats.placing import Piece, place_pieces

ADDRESS_WIDTHS = {0: 2, 1: 2, 2: 3, 3: 4, 5: 2, 6: 3, 7: 4, 8: 3, 9: 2}
"""Bytes of the address (for S5, S6 the record count) by type."""
DATA_TYPES = (1, 2, 3)
COUNT_TYPES = (5, 6)
END_OF = {1: 9, 2: 8, 3: 7}
"""The type that ends a file of the given data type."""


class _Record(NamedTuple):
    line: int
    kind: int
    address: int
    data: bytes


def parse_s_record(
    data: bytes, *, overlap_last: bool = False, accept_missing_end: bool = False
) -> ParsedImage:
    """Read a whole S-record file.

    Args:
        data: The file.
        overlap_last: Where records give an address different bytes, take the last.
        accept_missing_end: Read a file without S7, S8 or S9.

    Raises:
        ImageFormatError: anything is wrong; carries all faults.
    """
    require_bytes(data)
    require_text_size(len(data))
    if len(data) >= WHOLE_FILE_FROM:
        image = _read_whole(data)
        if image is not None:
            return ParsedImage(image=image, format=ImageFormat.S_RECORD, findings=())
    return _Explainer(overlap_last, accept_missing_end).parse(data)


def _read_whole(data: bytes) -> Image | None:
    """The image of header, data records, count and end, all as they should be; else None."""
    # Loads numpy, which costs more than reading a short file line by line.
    from memtool.formats.whole_file import sound_s_record_data

    start = data.find(b"\n") + 1 if data.startswith(b"S0") else 0
    stop = _line_start(data, len(data))
    before = _line_start(data, stop)
    if data[before : before + 2] in (b"S5", b"S6"):
        stop = before
    if start >= stop or data[start : start + 2] not in (b"S1", b"S2", b"S3"):
        return None
    header, tail = _parse_sound(data[:start]), _parse_sound(data[stop:])
    if header is None or not tail:
        return None
    kind = data[start + 1] - 0x30
    if any(record.address for record in header) or tail[-1].kind != END_OF[kind]:
        return None
    body = sound_s_record_data(data[start:stop], kind)
    if body is None or any(record.address != body[1] for record in tail[:-1]):
        return None
    return body[0]


def _parse_sound(text: bytes) -> list[_Record] | None:
    """The records of a few lines, or None where one is not right."""
    lines = [line for _, line in iter_lines(text)]
    try:
        return [_parse_line(1, line) for line in lines] if all(lines) else None
    except LineError:
        return None


def _line_start(data: bytes, end: int) -> int:
    """Where the line begins whose line end, if it has one, is before `end`."""
    return data.rfind(b"\n", 0, max(end - 1, 0)) + 1


class _Explainer:
    """Reads line by line and can say what is wrong with each."""

    def __init__(self, overlap_last: bool, accept_missing_end: bool) -> None:
        self._overlap_last = overlap_last
        self._accept_missing_end = accept_missing_end
        self._faults = FaultList()
        self._findings: list[Finding] = []
        self._records: list[_Record] = []
        self._data_size = 0

    def parse(self, data: bytes) -> ParsedImage:
        self._read_lines(data)
        self._check_types()
        if not self._faults.count:
            # A line that could not be read is not counted, so the count would seem wrong.
            self._check_counts()
        self._check_headers()
        pieces = [
            Piece(record.address, record.data, record.line)
            for record in self._records
            if record.kind in DATA_TYPES and record.data
        ]
        for record in self._records:
            if record.kind in DATA_TYPES:
                self._check_range(record)
        image, placed = place_pieces(pieces, self._faults, overlap_last=self._overlap_last)
        if not self._faults.count and not image.segments:
            self._faults.add(no_data())
        self._faults.raise_if_any()
        return ParsedImage(
            image=image, format=ImageFormat.S_RECORD, findings=(*self._findings, *placed)
        )

    def _read_lines(self, data: bytes) -> None:
        blank: list[int] = []
        lower_case: list[int] = []
        end_line: int | None = None
        number = 0
        for number, line in iter_lines(data):
            if not line:
                blank.append(number)
                continue
            if end_line is not None:
                self._faults.add(after_end(number, line, b"Ss", end_line))
                continue
            try:
                record = _parse_line(number, line)
            except LineError as fault:
                cut = not data.endswith(b"\n") and data.endswith(line)
                self._faults.add(fault.at_line(number, cut_short=cut))
                continue
            if line[:1] == b"s":
                lower_case.append(number)
            if record.kind in END_OF.values():
                end_line = number
            if record.kind in DATA_TYPES:
                self._data_size += len(record.data)
                require_data_size(self._data_size)
            self._records.append(record)
        if end_line is None:
            self._miss_end(number)
        if blank:
            self._findings.append(blank_lines(blank))
        if lower_case:
            self._findings.append(_lower_case(lower_case))

    def _miss_end(self, last_line: int) -> None:
        if self._accept_missing_end:
            self._findings.append(missing_end_accepted())
            return
        kinds = [record.kind for record in self._records if record.kind in DATA_TYPES]
        self._faults.add(
            Fault(
                code="missing-end",
                text="the file has no end record",
                line=max(last_line, 1),
                expected=f"S{END_OF[kinds[0]]}" if kinds else "S7, S8 or S9",
                found="end of file",
            )
        )

    def _check_types(self) -> None:
        """One type of data records, and the end that belongs to it."""
        first: _Record | None = None
        for record in self._records:
            if record.kind in DATA_TYPES:
                first = first or record
                if record.kind != first.kind:
                    self._faults.add(_wrong_type(record, first, f"S{first.kind}"))
                    return
            elif record.kind in END_OF.values() and first and record.kind != END_OF[first.kind]:
                self._faults.add(_wrong_type(record, first, f"S{END_OF[first.kind]}"))

    def _check_counts(self) -> None:
        count = 0
        counts: list[_Record] = []
        for record in self._records:
            if record.kind in DATA_TYPES:
                if counts:
                    self._findings.append(_early_count(counts[-1]))
                    counts = []
                count += 1
            elif record.kind in COUNT_TYPES:
                counts.append(record)
                if record.address != count:
                    self._faults.add(_wrong_count(record, count))

    def _check_headers(self) -> None:
        data_came = False
        for index, record in enumerate(self._records):
            data_came = data_came or record.kind in DATA_TYPES
            if record.kind != 0:
                continue
            if data_came:
                # The type is in no checksum: this may be a data record with one bad digit.
                self._faults.add(_late_header(record))
            elif index or record.address:
                self._findings.append(_odd_header(record))

    def _check_range(self, record: _Record) -> None:
        last = record.address + len(record.data) - 1
        limit = 1 << 8 * ADDRESS_WIDTHS[record.kind]
        if last >= limit:
            self._faults.add(
                Fault(
                    code="address-range",
                    text=(
                        f"S{record.kind} record of {len(record.data)} bytes at"
                        f" {format_address(record.address)} runs past the last address"
                        f" of its type"
                    ),
                    line=record.line,
                    address=record.address,
                    expected=f"last address {format_address(limit - 1)} or below",
                    found=format_address(last),
                )
            )


def _parse_line(number: int, line: bytes) -> _Record:
    """One line as a record.

    Raises:
        LineError: any byte of it is not right.
    """
    require_mark(line, b"Ss", name="S-record")
    kind = line[1] - 0x30 if len(line) > 1 else -1
    if kind not in ADDRESS_WIDTHS:
        found = line[:2].decode("ascii", "backslashreplace")
        reserved = ", which is reserved" if kind == 4 else ""
        raise LineError(
            "record-type",
            f"record type {found}{reserved}; the format has S0 to S3 and S5 to S9",
            column=2,
            expected="S0 to S3, S5 to S9",
            found=found,
        )
    try:
        body = decode_digits(line, 2)
    except LineError as fault:
        if fault.code != "line-end":
            _explain_text_after(line, kind)
        raise
    width = ADDRESS_WIDTHS[kind]
    if len(body) < width + 2:
        raise LineError(
            "record-short",
            f"S{kind} record has {len(body)} bytes, the shortest has {width + 2}",
            column=len(line),
            expected=f"{width + 2} bytes or more",
            found=str(len(body)),
        )
    _require_count(line, kind, body)
    if sum(body) & 0xFF != 0xFF:
        right = ~sum(body[:-1]) & 0xFF
        raise LineError(
            "record-checksum",
            f"S{kind} record: the checksum is {body[-1]:02X}, the bytes give {right:02X}",
            column=len(line) - 1,
            expected=f"{right:02X}",
            found=f"{body[-1]:02X}",
        )
    data = body[1 + width : -1]
    if data and kind not in (0, *DATA_TYPES):
        raise LineError(
            "record-length",
            f"S{kind} record holds {len(data)} data bytes, this type has none",
            column=3,
            expected=f"{width + 1:02X}",
            found=f"{body[0]:02X}",
        )
    return _Record(number, kind, int.from_bytes(body[1 : 1 + width], "big"), data)


def _require_count(line: bytes, kind: int, body: bytes) -> None:
    count = len(body) - 1
    if body[0] == count:
        return
    _explain_text_after(line, kind)
    raise LineError(
        "record-length",
        f"S{kind} record: the count byte {body[0]:02X} says {body[0]} bytes follow,"
        f" the line has {count}",
        column=3,
        expected=f"{count:02X}" if count < 0x100 else f"{body[0]} bytes",
        found=f"{body[0]:02X}" if count < 0x100 else str(count),
    )


def _explain_text_after(line: bytes, kind: int) -> None:
    """Say so where the line begins with a whole, right record and then goes on.

    Raises:
        LineError: it does.
    """
    try:
        count = decode_digits(line[:4], 2)[0]
        end = 2 * count + 4
        body = decode_digits(line[:end], 2)
    except (LineError, IndexError):
        return
    if len(body) != count + 1 or sum(body) & 0xFF != 0xFF or len(line) <= end:
        return
    raise LineError(
        "text-after-record",
        f"S{kind} record is complete, then more text follows in column {end + 1}",
        column=end + 1,
        expected="end of line",
        found=line[end : end + 16].decode("ascii", "backslashreplace"),
    )


def _wrong_type(record: _Record, first: _Record, expected: str) -> Fault:
    return Fault(
        code="mixed-types",
        text=f"S{record.kind} record in a file of S{first.kind} records (line {first.line})",
        line=record.line,
        expected=expected,
        found=f"S{record.kind}",
    )


def _wrong_count(record: _Record, count: int) -> Fault:
    return Fault(
        code="record-count",
        text=(
            f"S{record.kind} record counts {record.address} data records, {count} came before it"
        ),
        line=record.line,
        expected=str(count),
        found=str(record.address),
    )


def _early_count(record: _Record) -> Finding:
    return Finding(
        code="record-count-early",
        severity=Severity.WARNING,
        text=f"Line {record.line}: data records follow the S{record.kind} record that counts them.",
    )


def _odd_header(record: _Record) -> Finding:
    return Finding(
        code="record-header",
        severity=Severity.WARNING,
        text=(
            f"Line {record.line}: header record (S0) at address {format_address(record.address)};"
            " it is usual once, in the first line, at address 0x0000."
        ),
    )


def _late_header(record: _Record) -> Fault:
    return Fault(
        code="header-after-data",
        text="S0 record after data records; a header comes before them",
        line=record.line,
        column=2,
        expected="data, count or end record",
        found="S0",
    )


def _lower_case(lines: list[int]) -> Finding:
    return Finding(
        code="lower-case-mark",
        severity=Severity.WARNING,
        text=f"Line {lines[0]} begins with 's' where the format has 'S'.",
    )
