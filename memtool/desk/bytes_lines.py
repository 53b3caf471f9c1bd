"""The lines of the bytes screen: where all sides hold the same, one line stands for all.

A row of bytes that differs unfolds: one line a side under the row's address, its label in
front, the bytes that differ in brackets. Lines are counted for the whole memory at once and
drawn one by one, when they come into view.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from memtool.core.image import Image
from memtool.core.layouts.region import RegionKind
from memtool.core.span import Span, format_address
from memtool.desk.bytes_lens import MAJORITY, Lens, lies_in
from memtool.lazy import np
from memtool.render.values import SIGNS
from memtool.render.words import safe_text

if TYPE_CHECKING:
    from numpy.typing import NDArray

Piece = tuple[str, str]
"""A text and the name of its style; empty: as everything else."""
HIDDEN = "··"
_UNDEFINED = "--"
_OPEN = "??"
_HALF = 8


class Rows:
    """Which line shows what."""

    def __init__(self, lens: Lens, length: int) -> None:
        """Count the lines of `lens` at `length` bytes a row."""
        self.lens = lens
        self.length = length
        starts = [
            np.arange(span.start // length, (span.end - 1) // length + 1) for span in lens.spans
        ]
        numbers = np.unique(np.concatenate(starts)) if starts else np.zeros(0, np.int64)
        self._starts: NDArray[np.int64] = numbers * length
        self._unfolded = self._find_unfolded()
        lines = np.where(self._unfolded, len(lens.sides), 1)
        self._first = np.concatenate((np.zeros(1, np.int64), np.cumsum(lines)))

    def _find_unfolded(self) -> NDArray[np.bool_]:
        if len(self.lens.sides) < 2 or not len(self._starts):
            return np.zeros(len(self._starts), np.bool_)
        edges = self.lens.differing
        change = np.zeros(len(self._starts) + 1, np.int64)
        np.add.at(change, self._starts.searchsorted(edges[:, 0], "right") - 1, 1)
        np.add.at(change, self._starts.searchsorted(edges[:, 1] - 1, "right"), -1)
        return np.cumsum(change)[:-1] > 0

    def __len__(self) -> int:
        """How many lines there are."""
        return int(self._first[-1])

    def at(self, line: int) -> tuple[int, int | None]:
        """(address of the row's first byte, number of the side) of a line.

        The number is None where all sides hold the same.
        """
        row = int(self._first.searchsorted(line, "right")) - 1
        side = line - int(self._first[row]) if self._unfolded[row] else None
        return int(self._starts[row]), side

    def line_of(self, address: int) -> tuple[int, int]:
        """(first line, lines) of the row that shows an address, or the nearest one."""
        row = max(int(self._starts.searchsorted(address, "right")) - 1, 0)
        return int(self._first[row]), int(self._first[row + 1] - self._first[row])

    def beyond(self, address: int, rows: int) -> int:
        """The address as many rows further on, or back; the last or first row's at most."""
        row = max(int(self._starts.searchsorted(address, "right")) - 1, 0)
        to = min(max(row + rows, 0), len(self._starts) - 1)
        return int(self._starts[to]) + address % self.length


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Where on a line things stand."""

    length: int
    """Bytes a row."""
    address_width: int

    @property
    def label(self) -> int:
        """Column of the side's label."""
        return self.address_width + 1

    @property
    def text(self) -> int:
        """First column of the bytes as text."""
        return self.digits(self.length) + 1

    @property
    def regions(self) -> int:
        """First column of the regions."""
        return self.text + self.length + 2

    def digits(self, place: int) -> int:
        """First column of the digits of the byte at that place of the row."""
        return self.label + 3 + 3 * place + (self.length > _HALF and place >= _HALF)

    def place_at(self, column: int) -> int | None:
        """The place of the byte that a column shows, as digits or as text."""
        if self.text <= column < self.text + self.length:
            return column - self.text
        places = range(self.length)
        return next(
            (at for at in places if self.digits(at) <= column + 1 < self.digits(at) + 3), None
        )


def columns_of(lens: Lens, length: int) -> Columns:
    """The columns for a lens."""
    last = lens.spans[-1].end if lens.spans else 0
    return Columns(length=length, address_width=len(format_address(last)))


def draw_line(
    rows: Rows, columns: Columns, line: int, *, cursor: int, match: Span | None
) -> Iterator[Piece]:
    """One line as pieces of text, every one safe to show."""
    lens = rows.lens
    start, number = rows.at(line)
    side = lens.sides[number or 0]
    row = Span(start, start + rows.length)
    address = format_address(start) if not number else ""
    yield address.ljust(columns.address_width + 1), "address"
    yield (" " if number is None else side.label), "label"
    yield " ", ""
    differs = _differing(lens, row)
    cells = list(_cells(lens, side.image, row))
    if side.label == MAJORITY:
        cells = [
            (_OPEN, "?") if lies_in(lens.undecided, start + place) else cell
            for place, cell in enumerate(cells)
        ]
    for place, (digits, _) in enumerate(cells):
        yield _gap_piece(differs, place, rows.length)
        yield digits, _style(start + place, differs[place], cursor, match)
    yield _gap_piece(differs, rows.length, rows.length)
    yield " ", ""
    for place, (_, sign) in enumerate(cells):
        yield sign, _style(start + place, differs[place], cursor, match)
    yield "  ", ""
    yield from _region_pieces(lens, row, number)


def _style(address: int, differs: bool, cursor: int, match: Span | None) -> str:
    if address == cursor:
        return "cursor"
    if match is not None and address in match:
        return "match"
    return "differs" if differs else ""


def _gap_piece(differs: list[bool], place: int, length: int) -> Piece:
    """What stands in front of a byte: a bracket where a differing run begins or ends."""
    text = _gap(differs, place, length)
    return text, "bracket" if text.strip() else ""


def _gap(differs: list[bool], place: int, length: int) -> str:
    before = place > 0 and differs[place - 1]
    after = place < length and differs[place]
    sign = " " if before == after else "]" if before else "["
    if length > _HALF and place == _HALF:
        return f"{sign} " if before else f" {sign}"
    return sign


def _differing(lens: Lens, row: Span) -> list[bool]:
    edges = lens.differing
    places = [False] * len(row)
    if len(lens.sides) < 2:
        return places
    number = int(edges[:, 1].searchsorted(row.start, "right"))
    while number < len(edges) and int(edges[number, 0]) < row.end:
        first, end = edges[number].tolist()
        for address in range(max(first, row.start), min(end, row.end)):
            places[address - row.start] = True
        number += 1
    return places


def _cells(lens: Lens, image: Image, row: Span) -> Iterator[tuple[str, str]]:
    """Two signs for each byte, and one for its text."""
    held = image.select([row])
    for address in range(row.start, row.end):
        place = Span(address, address + 1)
        if held.covers(place):
            value = held.read(place)[0]
            yield f"{value:02X}", chr(value) if 0x20 <= value < 0x7F else "."
        else:
            yield (HIDDEN, " ") if lens.is_hidden(address) else (_UNDEFINED, " ")


def _region_pieces(lens: Lens, row: Span, number: int | None) -> Iterator[Piece]:
    """The letters of the kinds, and the names of the regions that begin in the row.

    Where the row has several lines, the second one takes all names but the first.
    """
    signs, names = _regions_in(lens, row)
    if not number:
        yield signs, "sign"
    shown = names if number is None else names[:1] if number == 0 else names[1:]
    if shown and number in (None, 0, 1):
        yield (
            (f" {'; '.join(shown)}" if not number else f"{'':{len(signs)}} {'; '.join(shown)}"),
            "",
        )


def _regions_in(lens: Lens, row: Span) -> tuple[str, list[str]]:
    signs, names, address = "", [], row.start
    while address < row.end:
        region, vin = lens.region_at(address), lens.vin_at(address)
        if region is not None:
            kind, span, name = region.kind, region.span, safe_text(region.name)
        elif vin is not None:
            kind, span, name = RegionKind.VEHICLE_IDENTITY, vin.span, f"VIN {safe_text(vin.text)}"
        else:
            address += 1
            continue
        signs += SIGNS[kind] if SIGNS[kind] not in signs else ""
        if span.start >= row.start:
            names.append(name)
        address = span.end
    return signs, names


def find_region(lens: Lens, text: str, address: int) -> int | None:
    """Where the next region begins whose name holds `text`, from behind `address` on, around."""
    regions = () if lens.layout is None else lens.layout.regions
    wanted = text.casefold()
    starts = [region.span.start for region in regions if wanted in region.name.casefold()]
    if not starts:
        return None
    return starts[bisect_right(starts, address) % len(starts)]
