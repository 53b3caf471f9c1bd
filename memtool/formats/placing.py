"""Puts the data of records at their addresses; says where they overlap.

Memory grows with the data: pieces are sorted, and only pieces that really overlap are
laid over each other, in a buffer no longer than their own bytes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.finding import Finding, Severity
from memtool.core.image import Image
from memtool.core.span import Span, count_addresses, format_address, union_spans
from memtool.core.words import count_of
from memtool.errors import Fault, ImageFormatError
from memtool.formats.fault_list import KEPT, FaultList
from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray


MOST_ISLANDS = 100_000
"""Runs of bytes with gaps between. No reader makes a thousandth of it, and each costs a search
as much as a page of neighbouring bytes."""


class Piece(NamedTuple):
    """Data of neighbouring records, from one address on."""

    address: int
    data: bytes
    """At least one byte."""
    sizes: Sequence[int]
    """Data bytes of each record."""
    lines: Sequence[int]
    """Line of each record."""


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

    Raises:
        ImageFormatError: there are more than `MOST_ISLANDS` (``too-many-islands``).
    """
    _require_few_islands(pieces)
    overlaps = _Overlaps([], [])
    joined = [
        (group[0].address, group[0].data)
        if len(group) == 1
        else _lay_over(group, faults, overlaps, overlap_last=overlap_last)
        for group in _overlapping_groups(pieces)
    ]
    return Image.from_pieces(joined), _findings(overlaps, overlap_last=overlap_last)


def _require_few_islands(pieces: Sequence[Piece]) -> None:
    if len(pieces) <= MOST_ISLANDS:
        return
    islands, end, first = 0, -1, None
    for address, data, _, lines in sorted(pieces, key=lambda piece: piece.address):
        if address > end:
            islands += 1
            if islands == MOST_ISLANDS + 1:
                first = (address, lines[0])
        end = max(end, address + len(data))
    if first is not None:
        raise ImageFormatError(
            f"the bytes lie in {islands:,} pieces with gaps between, and {MOST_ISLANDS:,} are"
            " the most that are read",
            code="too-many-islands",
            next_step="give the file as the reader wrote it, with the memory in one piece",
            line=first[1],
            address=first[0],
        )


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
    memory = np.zeros(size, dtype=np.uint8)
    line_of = np.zeros(size, dtype=np.int32)
    for piece in sorted(group, key=lambda piece: piece.lines[0]):
        first = piece.address - start
        place = slice(first, first + len(piece.data))
        data = np.frombuffer(piece.data, dtype=np.uint8)
        lines = np.repeat(
            np.array(piece.lines, np.int32), np.frombuffer(bytes(piece.sizes), np.uint8)
        )
        given = line_of[place] > 0
        differs = given & (memory[place] != data)
        overlaps.same.extend(_spans_where(given & ~differs, piece.address))
        overlaps.other.extend(_spans_where(differs, piece.address))
        if not overlap_last and differs.any():
            ours, places, counts = np.unique(lines[differs], return_index=True, return_counts=True)
            places = np.flatnonzero(differs)[places]
            for number in range(min(len(ours), KEPT)):
                at = int(places[number])
                faults.add(
                    _overlap_fault(
                        piece.address + at,
                        line=int(ours[number]),
                        found=piece.data[at],
                        earlier=int(memory[place][at]),
                        earlier_line=int(line_of[place][at]),
                        count=int(counts[number]),
                    )
                )
            faults.count += max(0, len(ours) - KEPT)
        memory[place] = data
        line_of[place] = lines
    return start, memory.tobytes()


def _spans_where(mask: NDArray[np.bool_], start: int) -> list[Span]:
    """Where the mask is set, from address `start` on."""
    edges = np.flatnonzero(np.diff(mask, prepend=False, append=False)).reshape(-1, 2).tolist()
    return [Span(start + first, start + end) for first, end in edges]


def _overlap_fault(
    address: int, *, line: int, found: int, earlier: int, earlier_line: int, count: int
) -> Fault:
    more = "" if count == 1 else f", and {count - 1} more bytes differ"
    return Fault(
        code="overlap",
        text=(
            f"data record gives address {format_address(address)} the byte {found:02X},"
            f" line {earlier_line} gave it {earlier:02X}{more}"
        ),
        line=line,
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
                text=f"Records give {count_of(count_addresses(spans), 'byte')} more than once,"
                " always with the same value.",
                spans=spans,
            )
        )
    if overlaps.other and overlap_last:
        spans = union_spans(overlaps.other)
        findings.append(
            Finding(
                code="overlap-last",
                severity=Severity.WARNING,
                text=f"Records disagree about {count_of(count_addresses(spans), 'byte')};"
                " as asked, the last one was taken.",
                spans=spans,
            )
        )
    return tuple(findings)
