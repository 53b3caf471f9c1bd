"""Intel HEX, read strictly: every line is right and every address is certain, or nothing is read.

Record: ``:`` LL AAAA TT data CC in hex digits. LL counts the data bytes, AAAA is an offset,
CC makes the sum of all bytes 0 mod 256.

Addresses:
1. Type 02 in force: ``base + (offset + index) mod 64 Ki``. A record that crosses the end of
   its segment goes on at the segment's start. Other readers run on instead, hence a warning.
   The same holds for a file without 02 and 04, which has 64 Ki addresses in all.
2. Type 04 in force: ``base + offset + index``, on across 64 KiB. Past 4 GiB is refused.
3. 02 and 04 in one file: refused, since readers differ in what the second one means.

Source: Intel, "Hexadecimal Object File Format Specification", Rev. A, 6 January 1988.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from memtool.core.finding import Finding, Severity
from memtool.core.image import Image
from memtool.core.span import Span, format_address, union_spans
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

DATA, END, SEGMENT, START_SEGMENT, LINEAR, START_LINEAR = range(6)
NAMES = {
    DATA: "data",
    END: "end",
    SEGMENT: "extended segment address",
    START_SEGMENT: "start segment address",
    LINEAR: "extended linear address",
    START_LINEAR: "start linear address",
}
LENGTHS = {END: 0, SEGMENT: 2, START_SEGMENT: 4, LINEAR: 2, START_LINEAR: 4}
"""Data bytes of every type but data."""

_OVERHEAD = 5
"""Bytes of a record that are not data: length, offset (2), type, checksum."""
_SEGMENT_SIZE = 0x10000
_ADDRESS_SPACE = 1 << 32


class _Record(NamedTuple):
    line: int
    kind: int
    offset: int
    data: bytes


def parse_intel_hex(
    data: bytes, *, overlap_last: bool = False, accept_missing_end: bool = False
) -> ParsedImage:
    """Read a whole Intel HEX file.

    Args:
        data: The file.
        overlap_last: Where records give an address different bytes, take the last.
        accept_missing_end: Read a file without end record.

    Raises:
        ImageFormatError: anything is wrong; carries all faults.
    """
    require_bytes(data)
    require_text_size(len(data))
    if len(data) >= WHOLE_FILE_FROM:
        # Loads numpy, which costs more than reading a short file line by line.
        from memtool.formats.whole_file import sound_intel_hex

        image = sound_intel_hex(data)
        if image is not None:
            return ParsedImage(image=image, format=ImageFormat.INTEL_HEX, findings=())
    return _Explainer(overlap_last, accept_missing_end).parse(data)


class _Explainer:
    """Reads line by line and can say what is wrong with each."""

    def __init__(self, overlap_last: bool, accept_missing_end: bool) -> None:
        self._overlap_last = overlap_last
        self._accept_missing_end = accept_missing_end
        self._faults = FaultList()
        self._findings: list[Finding] = []
        self._records: list[_Record | None] = []
        """None stands for a line that could not be read and may have moved the base."""
        self._data_size = 0

    def parse(self, data: bytes) -> ParsedImage:
        self._read_lines(data)
        linear = self._check_addressing()
        image = Image(())
        placed: tuple[Finding, ...] = ()
        if linear is not None:
            pieces = list(self._pieces(linear=linear))
            image, placed = place_pieces(pieces, self._faults, overlap_last=self._overlap_last)
        self._faults.raise_if_any()
        if not image.segments:
            self._faults.add(no_data())
            self._faults.raise_if_any()
        self._note_start_records()
        return ParsedImage(
            image=image,
            format=ImageFormat.INTEL_HEX,
            findings=(*self._findings, *placed),
        )

    def _read_lines(self, data: bytes) -> None:
        blank: list[int] = []
        end_line: int | None = None
        number = 0
        for number, line in iter_lines(data):
            if not line:
                blank.append(number)
                continue
            if end_line is not None:
                self._faults.add(after_end(number, line, b":", end_line))
                continue
            try:
                record = _parse_line(number, line)
            except LineError as fault:
                cut = not data.endswith(b"\n") and data.endswith(line)
                self._faults.add(fault.at_line(number, cut_short=cut))
                if line[7:9] != b"00":
                    self._records.append(None)
                continue
            if record.kind == END:
                end_line = number
            elif record.kind == DATA:
                self._data_size += len(record.data)
                require_data_size(self._data_size)
            self._records.append(record)
        if end_line is None:
            self._miss_end(number)
        if blank:
            self._findings.append(blank_lines(blank))

    def _miss_end(self, last_line: int) -> None:
        if self._accept_missing_end:
            self._findings.append(missing_end_accepted())
        else:
            self._faults.add(
                Fault(
                    code="missing-end",
                    text="the file has no end record",
                    line=max(last_line, 1),
                    expected=":00000001FF",
                    found="end of file",
                )
            )

    def _check_addressing(self) -> bool | None:
        """Whether addresses are linear; None, with a fault, where the file is of two minds."""
        first: dict[int, _Record] = {}
        for record in self._records:
            if record is None:
                continue
            if record.kind in (SEGMENT, LINEAR):
                first.setdefault(record.kind, record)
            if record.kind not in (DATA, END) and record.offset:
                self._findings.append(_odd_offset(record))
        if len(first) < 2:
            return LINEAR in first
        earlier, later = sorted(first.values())
        self._faults.add(
            Fault(
                code="mixed-addressing",
                text=(
                    f"{NAMES[later.kind]} record (type {later.kind:02X}), but line"
                    f" {earlier.line} has an {NAMES[earlier.kind]} record (type"
                    f" {earlier.kind:02X}); together they have no certain meaning"
                ),
                line=later.line,
                expected=f"type {earlier.kind:02X}",
                found=f"type {later.kind:02X}",
            )
        )
        return None

    def _pieces(self, *, linear: bool) -> Iterator[Piece]:
        base: int | None = 0
        wrapped: list[Span] = []
        for record in self._records:
            if record is None:
                base = None
            elif record.kind in (SEGMENT, LINEAR):
                base = int.from_bytes(record.data, "big") << (16 if linear else 4)
            elif record.kind != DATA or not record.data or base is None:
                continue
            elif not linear and record.offset + len(record.data) > _SEGMENT_SIZE:
                room = _SEGMENT_SIZE - record.offset
                yield Piece(base + record.offset, record.data[:room], record.line)
                yield Piece(base, record.data[room:], record.line)
                wrapped.append(Span(base, base + len(record.data) - room))
            elif linear and base + record.offset + len(record.data) > _ADDRESS_SPACE:
                self._faults.add(_past_4_gib(record, base + record.offset))
            else:
                yield Piece(base + record.offset, record.data, record.line)
        if wrapped:
            self._findings.append(_wrapped(union_spans(wrapped)))

    def _note_start_records(self) -> None:
        starts = [
            record.line
            for record in self._records
            if record is not None and record.kind in (START_SEGMENT, START_LINEAR)
        ]
        if len(starts) > 1:
            self._findings.append(
                Finding(
                    code="start-records",
                    severity=Severity.WARNING,
                    text=(
                        f"The file has {len(starts)} start records, the second in line"
                        f" {starts[1]}; one is usual. They say nothing about memory."
                    ),
                )
            )


def _parse_line(number: int, line: bytes) -> _Record:
    """One line as a record.

    Raises:
        LineError: any byte of it is not right.
    """
    require_mark(line, b":", name="Intel HEX")
    try:
        body = decode_digits(line, 1)
    except LineError as fault:
        if fault.code != "line-end":
            _explain_text_after(line)
        raise
    if len(body) < _OVERHEAD:
        raise LineError(
            "record-short",
            f"the record has {len(body)} bytes, the shortest has {_OVERHEAD}",
            column=len(line),
            expected=f"{_OVERHEAD} bytes or more",
            found=str(len(body)),
        )
    length, kind, data = body[0], body[3], body[4:-1]
    record = _Record(number, kind, body[1] << 8 | body[2], data)
    if kind == DATA and length == len(data) and not sum(body) & 0xFF:
        return record
    name = f"{NAMES.get(kind, 'unknown')} record (type {kind:02X})"
    if length != len(data):
        _explain_text_after(line)
        raise LineError(
            "record-length",
            f"{name}: the length byte {length:02X} says {length} data bytes,"
            f" the line has {len(data)}",
            column=2,
            expected=f"{len(data):02X}" if len(data) < 0x100 else f"{length} data bytes",
            found=f"{length:02X}" if len(data) < 0x100 else str(len(data)),
        )
    if sum(body) & 0xFF:
        right = -sum(body[:-1]) & 0xFF
        raise LineError(
            "record-checksum",
            f"{name}: the checksum is {body[-1]:02X}, the bytes give {right:02X}",
            column=len(line) - 1,
            expected=f"{right:02X}",
            found=f"{body[-1]:02X}",
        )
    _require_known(record, name)
    return record


def _require_known(record: _Record, name: str) -> None:
    if record.kind not in NAMES:
        raise LineError(
            "record-type",
            f"record type {record.kind:02X} is outside the published format, which has 00 to 05",
            column=8,
            expected="00 to 05",
            found=f"{record.kind:02X}",
        )
    length = LENGTHS.get(record.kind, len(record.data))
    if len(record.data) != length:
        raise LineError(
            "record-length",
            f"{name}: {len(record.data)} data bytes, this type has {length}",
            column=2,
            expected=f"{length:02X}",
            found=f"{len(record.data):02X}",
        )
    if record.kind == END and record.offset:
        raise LineError(
            "end-address",
            f"{name}: the offset is {record.offset:04X}, an end record has 0000",
            column=4,
            expected="0000",
            found=f"{record.offset:04X}",
        )


def _explain_text_after(line: bytes) -> None:
    """Say so where the line begins with a whole, right record and then goes on.

    Raises:
        LineError: it does.
    """
    try:
        length = decode_digits(line[:3], 1)[0]
        body = decode_digits(line[: 2 * (length + _OVERHEAD) + 1], 1)
    except (LineError, IndexError):
        return
    end = 2 * (length + _OVERHEAD) + 1
    if len(body) != length + _OVERHEAD or sum(body) & 0xFF or len(line) <= end:
        return
    count = len(line) - end
    raise LineError(
        "text-after-record",
        f"{NAMES.get(body[3], 'unknown')} record (type {body[3]:02X}) is complete, then"
        f" {count} more character{'s' if count > 1 else ''} follow"
        f"{'s' if count == 1 else ''} in column {end + 1}",
        column=end + 1,
        expected="end of line",
        found=line[end : end + 16].decode("ascii", "backslashreplace"),
    )


def _odd_offset(record: _Record) -> Finding:
    return Finding(
        code="record-offset",
        severity=Severity.WARNING,
        text=(
            f"Line {record.line}: {NAMES[record.kind]} record (type {record.kind:02X}) has the"
            f" offset {record.offset:04X}, where the format wants 0000; it has no effect."
        ),
    )


def _wrapped(spans: tuple[Span, ...]) -> Finding:
    return Finding(
        code="segment-wrap",
        severity=Severity.WARNING,
        text=(
            "A record crosses the end of its 64 KiB segment and goes on at the segment's start,"
            f" {format_address(spans[0].start)}, as the format says; other programs may run on."
        ),
        spans=spans,
    )


def _past_4_gib(record: _Record, address: int) -> Fault:
    return Fault(
        code="address-range",
        text=(
            f"data record of {len(record.data)} bytes at {format_address(address)} runs past 4 GiB"
        ),
        line=record.line,
        address=address,
        expected="last address 0xFFFFFFFF or below",
        found=format_address(address + len(record.data) - 1),
    )
