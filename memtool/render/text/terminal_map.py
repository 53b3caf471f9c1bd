"""A memory in the terminal: a map of letters, and rows of bytes.

A cell's letter is its region's, as in every map of the tool; where no region is, `#` is
data, `.` erased, `0` zero, a blank undefined. A `^` below a cell or byte marks it, so that
nothing is told by colour alone. The text comes with styles; who prints it strips them where
they are not wanted.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from memtool.core.image import Image
from memtool.core.layouts.region import RegionKind
from memtool.core.memory_map import Content, MapRow, compute_map, plan_map
from memtool.core.span import Span, format_address
from memtool.core.words import count_of
from memtool.render.values import SIGNS, name_words

if TYPE_CHECKING:
    from memtool.core.layouts.layout import Layout
    from memtool.core.runs import Edges

MOST_COLUMNS = 64
MOST_ROWS = 8
CONTENT_SIGNS = {
    Content.DATA: "#",
    Content.RECORDS: "/",
    Content.ERASED: ".",
    Content.ZERO: "0",
    Content.UNDEFINED: " ",
}
KIND_IN_SHORT = {
    RegionKind.VEHICLE_IDENTITY: "vehicle",
    RegionKind.MODULE_IDENTITY: "module",
    RegionKind.CONFIGURATION: "config",
    RegionKind.STATE: "state",
    RegionKind.CALIBRATION: "calibr.",
    RegionKind.CODE: "code",
    RegionKind.CHECKSUM: "checksum",
    RegionKind.PROTECTED: "protect.",
    RegionKind.UNUSED: "unused",
}
"""For the key of a map that is eight letters wide."""
CONTENT_KEY = {
    Content.DATA: "data",
    Content.RECORDS: "records",
    Content.ERASED: "erased",
    Content.ZERO: "zero",
}
_BOLD_REVERSE, _DIM_REVERSE, _BOLD_YELLOW = "1;7", "2;7", "1;33"
"""Select graphic rendition, of ECMA-48, 8.3.117; yellow is 33 there."""
_KIND_STYLES = {RegionKind.VEHICLE_IDENTITY: _BOLD_REVERSE, RegionKind.PROTECTED: _DIM_REVERSE}
_MARK_STYLE = _BOLD_YELLOW


def render_map(
    image: Image,
    *,
    layout: Layout | None = None,
    vins: Sequence[Span] = (),
    marked: Sequence[Span] | Edges = (),
    marks: str = "marked",
    stores: Sequence[Span] = (),
    width: int = 80,
) -> str:
    """The whole image as a few rows of letters, with its key.

    Args:
        image: The memory.
        layout: Names the kinds.
        vins: Where VINs were found.
        marked: Bytes to point at.
        marks: What a mark means.
        stores: Where stores of records were found.
        width: Columns, at least 40.
    """
    last = image.extent.end - 1 if image.extent else 0
    room = max(8, width - len(format_address(last)) - 4)
    columns = min(MOST_COLUMNS, 1 << (room.bit_length() - 1))
    plan = plan_map(image.spans, columns=columns, most_rows=MOST_ROWS)
    drawn = compute_map(image, plan, layout=layout, vins=vins, marked=marked, stores=stores)
    if not drawn.rows:
        return "  this image is empty"
    lines: list[str] = []
    wide = len(format_address(drawn.rows[-1].start))
    for row in drawn.rows:
        address = format_address(row.start).ljust(wide)
        lines.append(_map_line(row, address))
        if row.marked:
            lines.append(_mark_line(row, address))
    key = [f"{SIGNS[kind]} {name_words(kind)}" for kind in drawn.kinds]
    bare = {run.content for row in drawn.rows for run in row.runs if run.kind is None}
    key += [
        f"{CONTENT_SIGNS[content]} {words}"
        for content, words in CONTENT_KEY.items()
        if content in bare
    ]
    if drawn.has_marks:
        key.append(f"^ {marks}")
    lines += _key_lines([f"{count_of(plan.cell, 'byte')} a cell", *key], width)
    return _joined(lines)


def _key_lines(parts: Sequence[str], width: int) -> Iterator[str]:
    """Parts of the key in lines; a sign stays beside its word."""
    line = " "
    for part in parts:
        if len(line) + len(part) + 2 > width:
            yield line
            line = " "
        line += f" {part} "
    yield line.rstrip()


def _map_line(row: MapRow, address: str) -> str:
    line = f"  {address}  "
    for run in row.runs:
        sign = SIGNS[run.kind] if run.kind else CONTENT_SIGNS[run.content]
        line += _styled(sign * run.cells, _KIND_STYLES.get(run.kind) if run.kind else None)
    return line


def _mark_line(row: MapRow, address: str) -> str:
    gutter = len(f"  {address}  ")
    line = " " * gutter
    for first, cells in row.marked:
        line = line.ljust(gutter + first) + "^" * cells
    return _styled(line, _MARK_STYLE)


def render_bytes(
    image: Image,
    span: Span,
    *,
    layout: Layout | None = None,
    marked: Sequence[Span] = (),
    width: int = 80,
) -> str:
    """The rows of 16 bytes that `span` lies in: address, hex digits, text.

    Undefined bytes show as ``--``, those of protected regions as ``··``.
    """
    lines: list[str] = []
    # A byte takes three columns for its digits and one for its text; gaps take four.
    room = width - len(format_address(span.end)) - 7
    row_length = next((length for length in (16, 8) if 4 * length <= room), 4)
    for start in range(span.start - span.start % row_length, span.end, row_length):
        lines += _byte_lines(image, Span(start, start + row_length), layout, marked)
    return _joined(lines)


def _byte_lines(
    image: Image, row: Span, layout: Layout | None, marked: Sequence[Span]
) -> Iterator[str]:
    line, below = f"  {format_address(row.start)}  ", ""
    gutter, text = len(line), ""
    for place, address in enumerate(range(row.start, row.end)):
        digits, letter = _byte_signs(image, address, layout)
        is_marked = any(address in span for span in marked)
        gap = "  " if place % 8 == 0 and place else ("" if place == 0 else " ")
        line += gap + _styled(digits, _MARK_STYLE if is_marked else None)
        below += " " * len(gap) + ("^^" if is_marked else "  ")
        text += letter
    yield f"{line}  {text}"
    if below.strip():
        yield _styled((" " * gutter + below).rstrip(), _MARK_STYLE)


def _byte_signs(image: Image, address: int, layout: Layout | None) -> tuple[str, str]:
    """Two signs for the byte and one for its text."""
    place = Span(address, address + 1)
    if not image.covers(place):
        return "--", " "
    region = layout.region_at(address) if layout else None
    if region is not None and region.kind is RegionKind.PROTECTED:
        return "··", " "
    value = image.read(place)[0]
    return f"{value:02X}", chr(value) if 0x20 <= value < 0x7F else "."


def _styled(text: str, style: str | None) -> str:
    return text if style is None else f"\x1b[{style}m{text}\x1b[0m"


def _joined(lines: Sequence[str]) -> str:
    return "\n".join(line.rstrip() for line in lines)
