"""Motorola S-record, read strictly: every line is right, or nothing is read.

Record: ``S`` type, count of the bytes that follow, address, data, checksum in hex digits.
The checksum is the one's complement of the low byte of the sum of count, address and data.

1. S1, S2, S3 hold data at 16, 24, 32 bits of address. A file that has several of them, or the
   end record of another, is read with a warning: the addresses are the same.
2. The type digit is in no checksum. A record that would join its neighbour without a gap if it
   had the neighbour's type is refused, since one bad digit moves its data.
3. S9, S8, S7 end a file of S1, S2, S3; what follows the end is refused.
4. S5 (16 bits) and S6 (24 bits) count the data records before them, and must be right.
5. S0 is a header and comes before the data. S4 is reserved and refused.

Source: srec_motorola(5) manual page; M68000 Family Programmer's Reference Manual, appendix
on S-records (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from memtool.core.finding import Finding, Severity
from memtool.core.read_options import ImageFormat
from memtool.core.span import format_address
from memtool.errors import Fault
from memtool.formats.fault_list import FaultList
from memtool.formats.grammar import Grammar, Item, Record, RecordType, Run, Unread
from memtool.formats.hex_text import HexText
from memtool.formats.parsed import ParsedImage
from memtool.formats.placing import Piece, place_pieces

HEADER = 0
DATA_TYPES = (1, 2, 3)
COUNT_TYPES = (5, 6)
END_OF = {1: 9, 2: 8, 3: 7}
"""The type that ends a file of the given data type."""
_WIDTHS = {0: 2, 1: 2, 2: 3, 3: 4, 5: 2, 6: 3, 7: 4, 8: 3, 9: 2}
"""Bytes of the address (for S5, S6 the record count) by type."""
_ANY_SIZE = (HEADER, *DATA_TYPES)

S_RECORD = Grammar(
    name="S-record",
    mark=b"S",
    also_marks=b"s",
    prefix=b"0",
    type_at=0,
    length_at=1,
    address_at=2,
    head_size=2,
    uncounted=2,
    counted="bytes follow",
    summed_from=1,
    total=0xFF,
    types={
        kind: RecordType(f"S{kind} record", width, None if kind in _ANY_SIZE else 0)
        for kind, width in _WIDTHS.items()
    },
    data_types=frozenset(DATA_TYPES),
    end_types=frozenset(END_OF.values()),
    types_in_words="S0 to S3, S5 to S9",
)


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
    faults = FaultList()
    text = HexText(S_RECORD, faults)
    text.read(data)
    runs = [item for item in text.items if isinstance(item, Run)]
    end = f"S{END_OF[runs[0].kind]}" if runs else "S7, S8 or S9"
    findings = [
        *text.findings(),
        *text.require_end(accepted=accept_missing_end, expected=end),
        *_types(text.items, faults),
        *_counts(text.items, faults),
        *_headers(text.items, faults),
    ]
    pieces = [Piece(run.address, run.data, run.sizes, run.lines) for run in runs if run.data]
    for run in runs:
        _require_range(run, faults)
    image, placed = place_pieces(pieces, faults, overlap_last=overlap_last)
    text.require_data()
    faults.raise_if_any()
    return ParsedImage(image=image, format=ImageFormat.S_RECORD, findings=(*findings, *placed))


def _types(items: Sequence[Item], faults: FaultList) -> Iterator[Finding]:
    """Whether data and end are of one type."""
    runs = [item for item in items if isinstance(item, Run)]
    if not runs:
        return
    first = runs[0]
    other = next((run for run in runs if run.kind != first.kind), None)
    if other is not None:
        yield _mixed_types(other, first)
        for before, after in pairwise(runs):
            if _joins_as_the_other_type(before, after):
                faults.add(_doubtful_type(before, after))
    ends = (item for item in items if isinstance(item, Record) and item.kind in END_OF.values())
    end = next(ends, None)
    # With several types the end may be that of any of them.
    if end is not None and end.kind not in {END_OF[run.kind] for run in runs}:
        yield _other_end(end, first)


def _joins_as_the_other_type(before: Run, after: Run) -> bool:
    """Whether two neighbours of different types were one run, if one had the other's type."""
    if before.kind == after.kind:
        return False
    address, _ = _read_as(after.first, before.kind)
    if address == before.end:
        return True
    address, size = _read_as(before.last, after.kind)
    return address + size == after.address


def _read_as(record: Record, kind: int) -> tuple[int, int]:
    """Address and number of data bytes of a record, if it had another type; the sum is right."""
    width = _WIDTHS[kind]
    body = record.address.to_bytes(_WIDTHS[record.kind], "big") + record.data
    return int.from_bytes(body[:width], "big"), len(body) - width


def _counts(items: Sequence[Item], faults: FaultList) -> Iterator[Finding]:
    """Whether the records that count are right."""
    if any(isinstance(item, Unread) for item in items):
        # A line that could not be read is not counted, so the count would seem wrong.
        return
    count = 0
    last: Record | None = None
    for item in items:
        if isinstance(item, Run):
            if last is not None:
                yield _early_count(last)
            last = None
            count += len(item.sizes)
        elif isinstance(item, Record) and item.kind in COUNT_TYPES:
            last = item
            if item.address != count:
                faults.add(_wrong_count(item, count))


def _headers(items: Sequence[Item], faults: FaultList) -> Iterator[Finding]:
    data_came = False
    for place, item in enumerate(items):
        if isinstance(item, Run):
            data_came = True
        elif isinstance(item, Record) and item.kind == HEADER:
            if data_came:
                # The type is in no checksum: this may be a data record with one bad digit.
                faults.add(_late_header(item))
            elif place or item.address:
                yield _odd_header(item)


def _require_range(run: Run, faults: FaultList) -> None:
    """Note a run as faulty that goes past the last address of its type."""
    limit = S_RECORD.limit(run.kind)
    if run.end <= limit:
        return
    record = run.last
    faults.add(
        Fault(
            code="address-range",
            text=(
                f"S{record.kind} record of {len(record.data)} bytes at"
                f" {format_address(record.address)} runs past the last address of its type"
            ),
            line=record.line,
            address=record.address,
            expected=f"last address {format_address(limit - 1)} or below",
            found=format_address(run.end - 1),
        )
    )


def _mixed_types(run: Run, first: Run) -> Finding:
    return Finding(
        code="mixed-types",
        severity=Severity.WARNING,
        text=(
            f"Line {run.line}: S{run.kind} record in a file of S{first.kind} records (line"
            f" {first.line}); each says its whole address."
        ),
    )


def _doubtful_type(before: Run, after: Run) -> Fault:
    return Fault(
        code="mixed-types",
        text=(
            f"S{after.kind} record after an S{before.kind} record; with one type they would"
            " follow each other without a gap, so one of the two type digits, which no checksum"
            " covers, is wrong"
        ),
        line=after.line,
        column=2,
        expected=f"S{before.kind}",
        found=f"S{after.kind}",
    )


def _other_end(end: Record, first: Run) -> Finding:
    return Finding(
        code="end-type",
        severity=Severity.WARNING,
        text=(
            f"Line {end.line}: S{end.kind} ends a file of S{first.kind} records, where"
            f" S{END_OF[first.kind]} is usual; it says nothing about memory."
        ),
    )


def _wrong_count(record: Record, count: int) -> Fault:
    return Fault(
        code="record-count",
        text=(
            f"S{record.kind} record counts {record.address} data records, {count} came before it"
        ),
        line=record.line,
        expected=str(count),
        found=str(record.address),
    )


def _early_count(record: Record) -> Finding:
    return Finding(
        code="record-count-early",
        severity=Severity.WARNING,
        text=f"Line {record.line}: data records follow the S{record.kind} record that counts them.",
    )


def _odd_header(record: Record) -> Finding:
    return Finding(
        code="record-header",
        severity=Severity.WARNING,
        text=(
            f"Line {record.line}: header record (S0) at address {format_address(record.address)};"
            " it is usual once, in the first line, at address 0x0000."
        ),
    )


def _late_header(record: Record) -> Fault:
    return Fault(
        code="header-after-data",
        text="S0 record after data records; a header comes before them",
        line=record.line,
        column=2,
        expected="data, count or end record",
        found="S0",
    )
