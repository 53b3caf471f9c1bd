"""Intel HEX, read strictly: every line is right and every address is certain, or nothing is read.

Record: ``:`` LL AAAA TT data CC in hex digits. LL counts the data bytes, AAAA is an offset,
CC makes the sum of all bytes 0 mod 256.

Addresses:
1. Type 02 in force: ``base + (offset + index) mod 64 Ki``. A record that crosses the end of
   its segment goes on at the segment's start. Other readers run on instead, hence a warning.
   The same holds for a file without 02 and 04, which has 64 Ki addresses in all.
2. Type 04 in force: ``base + offset + index``, on across 64 KiB. Past 4 GiB is refused.
3. 02 and 04 in one file: readers differ. To some the last one is the base, others add the
   two. It is read where data follows only while the other base is zero, as GNU objcopy writes
   files that reach past 1 MiB; then all of them find the same addresses. Else it is refused.

Source: Intel, "Hexadecimal Object File Format Specification", Rev. A, 6 January 1988.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from memtool.core.finding import Finding, Severity
from memtool.core.read_options import ImageFormat
from memtool.core.span import Span, format_address, union_spans
from memtool.errors import Fault
from memtool.formats.fault_list import FaultList
from memtool.formats.grammar import Grammar, Item, Record, RecordType, Run, Unread
from memtool.formats.hex_text import HexText
from memtool.formats.parsed import ParsedImage
from memtool.formats.placing import Piece, place_pieces

DATA, END, SEGMENT, START_SEGMENT, LINEAR, START_LINEAR = range(6)
_SHIFTS = {SEGMENT: 4, LINEAR: 16}
"""By how many bits the number of an address record is shifted."""
_OTHER = {SEGMENT: LINEAR, LINEAR: SEGMENT}
_SEGMENT_SIZE = 0x10000
_ADDRESS_SPACE = 1 << 32

INTEL_HEX = Grammar(
    name="Intel HEX",
    mark=b":",
    also_marks=b"",
    prefix=b"",
    length_at=0,
    address_at=1,
    type_at=3,
    head_size=2,
    uncounted=5,
    counted="data bytes",
    summed_from=0,
    total=0,
    types={
        DATA: RecordType("data record (type 00)", 2, None),
        END: RecordType("end record (type 01)", 2, 0),
        SEGMENT: RecordType("extended segment address record (type 02)", 2, 2),
        START_SEGMENT: RecordType("start segment address record (type 03)", 2, 4),
        LINEAR: RecordType("extended linear address record (type 04)", 2, 2),
        START_LINEAR: RecordType("start linear address record (type 05)", 2, 4),
    },
    data_types=frozenset({DATA}),
    end_types=frozenset({END}),
    types_in_words="00 to 05",
)


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
    faults = FaultList()
    text = HexText(INTEL_HEX, faults)
    text.read(data)
    findings = [
        *text.findings(),
        *text.require_end(accepted=accept_missing_end, expected=":00000001FF"),
    ]
    records = [item for item in text.items if isinstance(item, Record)]
    addressing = _Addressing(records, faults)
    pieces = list(addressing.place(text.items))
    image, placed = place_pieces(pieces, faults, overlap_last=overlap_last)
    text.require_data()
    faults.raise_if_any()
    return ParsedImage(
        image=image,
        format=ImageFormat.INTEL_HEX,
        findings=(
            *findings,
            *(_odd_offset(record) for record in records if record.address),
            *addressing.findings(),
            *_start_records(records),
            *placed,
        ),
    )


class _Addressing:
    """Follows the address records through a file."""

    def __init__(self, records: Sequence[Record], faults: FaultList) -> None:
        self._first: dict[int, Record] = {}
        """The first address record of each kind."""
        for record in records:
            if record.kind in _SHIFTS:
                self._first.setdefault(record.kind, record)
        self._faults = faults
        self._mixed: Record | None = None
        """The first address record whose data has no certain address."""
        self._wrapped: list[Span] = []

    def place(self, items: Sequence[Item]) -> Iterator[Piece]:
        """The data at its addresses; what has none is noted as a fault."""
        bases = dict.fromkeys(_SHIFTS, 0)
        # Before the first address record the base is zero in every reading.
        force = next(iter(self._first.values()), None)
        kind = SEGMENT if force is None else force.kind
        known = True
        for item in items:
            if isinstance(item, Unread):
                # If its type says data it has moved no base.
                known = known and item.text[7:9] == b"00"
            elif isinstance(item, Record):
                if item.kind in _SHIFTS:
                    force, kind, known = item, item.kind, True
                    bases[kind] = int.from_bytes(item.data, "big") << _SHIFTS[kind]
            elif item.data and known:
                if bases[_OTHER[kind]] and force is not None:
                    self._mixed = self._mixed or force
                elif kind == LINEAR:
                    yield from self._linear(item, bases[kind])
                else:
                    yield from self._segmented(item, bases[kind])
        if self._mixed is not None:
            self._faults.add(_mixed_addressing(self._mixed, self._first[_OTHER[self._mixed.kind]]))

    def findings(self) -> Iterator[Finding]:
        """What is odd about the addresses."""
        if len(self._first) > 1:
            yield _agreeing_addressing(sorted(self._first.values()))
        if self._wrapped:
            yield _wrapped(union_spans(self._wrapped))

    def _linear(self, run: Run, base: int) -> Iterator[Piece]:
        if base + run.end > _ADDRESS_SPACE:
            # Only the last record can: an offset has 16 bits.
            self._faults.add(_past_4_gib(run.last, base + run.last.address))
        else:
            yield Piece(base + run.address, run.data, run.sizes, run.lines)

    def _segmented(self, run: Run, base: int) -> Iterator[Piece]:
        over = run.end - _SEGMENT_SIZE
        if over <= 0:
            yield Piece(base + run.address, run.data, run.sizes, run.lines)
            return
        # Only the last record crosses the end, since none can begin behind it.
        *before, last = run.sizes
        room = len(run.data) - over
        yield Piece(base + run.address, run.data[:room], [*before, last - over], run.lines)
        yield Piece(base, run.data[room:], [over], run.lines[-1:])
        self._wrapped.append(Span(base, base + over))


def _start_records(records: Sequence[Record]) -> Iterator[Finding]:
    starts = [record.line for record in records if record.kind in (START_SEGMENT, START_LINEAR)]
    if len(starts) > 1:
        yield Finding(
            code="start-records",
            severity=Severity.WARNING,
            text=(
                f"The file has {len(starts)} start records, the second in line"
                f" {starts[1]}; one is usual. They say nothing about memory."
            ),
        )


def _odd_offset(record: Record) -> Finding:
    return Finding(
        code="end-address" if record.kind == END else "record-offset",
        severity=Severity.WARNING,
        text=(
            f"Line {record.line}: {INTEL_HEX.name_of(record.kind)} has the offset"
            f" {record.address:04X}, where the format wants 0000; it has no effect."
        ),
    )


def _mixed_addressing(later: Record, earlier: Record) -> Fault:
    return Fault(
        code="mixed-addressing",
        text=(
            f"{INTEL_HEX.name_of(later.kind)}, while that of line {earlier.line} (type"
            f" {earlier.kind:02X}) is not zero; together they have no certain meaning"
        ),
        line=later.line,
        expected=f"type {earlier.kind:02X}",
        found=f"type {later.kind:02X}",
    )


def _agreeing_addressing(first: Sequence[Record]) -> Finding:
    places = " and ".join(f"type {record.kind:02X} from line {record.line} on" for record in first)
    return Finding(
        code="mixed-addressing",
        severity=Severity.INFO,
        text=(
            f"The file has address records of both kinds, {places}. Where data stands, the base"
            " of the other kind is zero, so that the addresses are certain."
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


def _past_4_gib(record: Record, address: int) -> Fault:
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
