"""Puts the data of records at their addresses; says where they overlap.

Memory grows with the data: pieces are sorted, and only pieces that really overlap are
laid over each other, in a buffer no longer than their own bytes.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from memtool.core.finding import Finding, Severity
from memtool.core.image import Image
from memtool.core.span import (
    Span,
    count_addresses,
    format_address,
    spans_of_addresses,
    union_spans,
)
from memtool.errors import Fault
from memtool.formats.fault_list import FaultList


class Piece(NamedTuple):
    """Data of one record at one address."""

    address: int
    data: bytes
    """At least one byte."""
    line: int


class _Overlaps(NamedTuple):
    same: list[Span]
    """Given twice with the same bytes."""
    other: list[Span]
    """Given twice with other bytes."""


def place_pieces(
    pieces: Sequence[Piece], faults: FaultList, *, overlap_last: bool
) -> tuple[Image, tuple[Finding, ...]]:
    """Join pieces, given in the order of the file, to an image.

    Bytes given twice with the same value are a warning. With other values they are a
    fault for each record that differs, or a warning where the last one is to win.

    Args:
        pieces: In the order of the file.
        faults: Receives the overlaps that are faults.
        overlap_last: Let the last record win.
    """
    overlaps = _Overlaps([], [])
    joined = [
        (group[0].address, group[0].data)
        if len(group) == 1
        else _lay_over(group, faults, overlaps, overlap_last=overlap_last)
        for group in _overlapping_groups(pieces)
    ]
    return Image.from_pieces(joined), _findings(overlaps, overlap_last=overlap_last)


def _overlapping_groups(pieces: Sequence[Piece]) -> Iterator[list[Piece]]:
    """Runs of pieces, by address, in which each overlaps one before it."""
    group: list[Piece] = []
    end = 0
    for piece in sorted(pieces, key=lambda piece: piece.address):
        if group and piece.address >= end:
            yield group
            group = []
            end = 0
        group.append(piece)
        end = max(end, piece.address + len(piece.data))
    if group:
        yield group


def _lay_over(
    group: list[Piece], faults: FaultList, overlaps: _Overlaps, *, overlap_last: bool
) -> tuple[int, bytes]:
    """Lay overlapping pieces over each other in the order of the file."""
    start = group[0].address
    size = max(piece.address + len(piece.data) for piece in group) - start
    memory = bytearray(size)
    line_of = array("I", bytes(4 * size))
    for piece in sorted(group, key=lambda piece: piece.line):
        offset = piece.address - start
        places = range(offset, offset + len(piece.data))
        given = [place for place in places if line_of[place]]
        differ = [place for place in given if memory[place] != piece.data[place - offset]]
        if len(given) > len(differ):
            same = set(given).difference(differ)
            overlaps.same.extend(spans_of_addresses(start + place for place in same))
        if differ:
            overlaps.other.extend(spans_of_addresses(start + place for place in differ))
            if not overlap_last:
                first = differ[0]
                faults.add(
                    _overlap_fault(
                        piece,
                        start + first,
                        memory[first],
                        earlier_line=line_of[first],
                        count=len(differ),
                    )
                )
        memory[offset : offset + len(piece.data)] = piece.data
        for place in places:
            line_of[place] = piece.line
    return start, bytes(memory)


def _overlap_fault(
    piece: Piece, address: int, earlier: int, *, earlier_line: int, count: int
) -> Fault:
    found = piece.data[address - piece.address]
    more = "" if count == 1 else f", and {count - 1} more bytes differ"
    return Fault(
        code="overlap",
        text=(
            f"data record gives address {format_address(address)} the byte {found:02X},"
            f" line {earlier_line} gave it {earlier:02X}{more}"
        ),
        line=piece.line,
        address=address,
        expected=f"{earlier:02X}",
        found=f"{found:02X}",
    )


def _findings(overlaps: _Overlaps, *, overlap_last: bool) -> tuple[Finding, ...]:
    findings = []
    if overlaps.same:
        spans = union_spans(overlaps.same)
        findings.append(
            Finding(
                code="overlap-same",
                severity=Severity.WARNING,
                text=f"Records give {_bytes(spans)} more than once, always with the same value.",
                spans=spans,
            )
        )
    if overlaps.other and overlap_last:
        spans = union_spans(overlaps.other)
        findings.append(
            Finding(
                code="overlap-last",
                severity=Severity.WARNING,
                text=f"Records disagree about {_bytes(spans)}; as asked, the last one was taken.",
                spans=spans,
            )
        )
    return tuple(findings)


def _bytes(spans: Sequence[Span]) -> str:
    count = count_addresses(spans)
    return "1 byte" if count == 1 else f"{count:,} bytes"
