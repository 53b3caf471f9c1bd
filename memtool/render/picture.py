"""Pictures as SVG, one function a picture, for the page and the PDF alike.

Rectangles, lines and letters in shades of grey: what a cell is, is told by its letter, what
its bytes are like by its shade, and a mark is a bar under the cell, so that a print without
colour says the same. A page may colour the classes. Each picture has a title and a
description that tell the same in words. `name` keeps the ids of several pictures on one
page apart.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape

from memtool.core.layouts.region import RegionKind
from memtool.core.reporting.memory_map import Content, MapRow, MapRun, MemoryMap, Strip
from memtool.core.span import Span, format_address, format_span, union_spans
from memtool.render.layout_map import SIGNS
from memtool.render.words import count_of, safe_text

CELL = 10
"""Width of a map's cell; all sizes are units of the picture."""
ROW = 15
"""Height of a map's row, mark and gap included."""
GUTTER = 66
"""Room for the row's address."""
_BAR = 11
"""Height of a cell."""
_STRIP_WIDTH = 384
_STRIP_HEIGHT = 36

_SHADES = {
    Content.DATA: "#bdbdbd",
    Content.ERASED: "#ffffff",
    Content.ZERO: "#ececec",
}
_DARK = {RegionKind.VEHICLE_IDENTITY: "#111111", RegionKind.PROTECTED: "#555555"}
"""Kinds that are drawn as a dark cell with a light letter."""
CONTENT_WORDS = {
    Content.DATA: "shaded: data",
    Content.ERASED: "plain: erased",
    Content.ZERO: "tinted: zero",
    Content.UNDEFINED: "no cell: not in the image",
}


def memory_map(picture: MemoryMap, *, title: str, name: str, marks: str = "marked") -> str:
    """The memory as rows of cells.

    Args:
        picture: What each cell shows.
        title: What it is a picture of.
        name: Letters and digits; unique on its page.
        marks: What a mark means, one clause.
    """
    plan = picture.plan
    width = GUTTER + plan.columns * CELL + 1
    height = max(1, len(picture.rows)) * ROW
    parts = [
        part for number, row in enumerate(picture.rows) for part in _row(row, picture, number * ROW)
    ]
    return _svg(parts, width, height, title, _describe_map(picture, marks), name)


def map_key(picture: MemoryMap, *, marks: str) -> tuple[tuple[str, str], ...]:
    """(sign, words) of everything that occurs in a map."""
    key = [(SIGNS[kind], kind.value.replace("-", " ")) for kind in picture.kinds]
    for content in picture.contents:
        sign, words = CONTENT_WORDS[content].split(": ")
        key.append((sign, words))
    if picture.has_marks:
        key.append(("bar below", marks))
    return tuple(key)


def _row(row: MapRow, picture: MemoryMap, top: int) -> Iterator[str]:
    length = picture.plan.row_length
    yield f'<g data-start="{row.start}" data-end="{row.start + length}">'
    width = GUTTER + picture.plan.columns * CELL
    yield f'<rect x="0" y="{top}" width="{width}" height="{ROW}" fill="none" pointer-events="all"/>'
    yield _text(0, top + 9, format_address(row.start), "address", anchor="start")
    for run in row.runs:
        yield from _run(run, top)
    for first, cells in row.marked:
        yield _rect(GUTTER + first * CELL, top + _BAR + 0.5, cells * CELL, 2.5, "#111111", "mark")
    yield "</g>"


def _run(run: MapRun, top: int) -> Iterator[str]:
    left, width = GUTTER + run.first * CELL, run.cells * CELL
    if run.content is Content.UNDEFINED:
        return
    dark = _dark_of(run)
    kind = f" kind-{run.kind}" if run.kind else ""
    role = f"content-{run.content}{kind}{' dark' if dark else ''}"
    yield _rect(left, top, width, _BAR, dark or _SHADES[run.content], role, stroke="#8a8a8a")
    if run.kind is not None:
        colour = "#ffffff" if dark else "#111111"
        sign = f"sign{' on-dark' if dark else ''}"
        yield _text(left + width / 2, top + 9, SIGNS[run.kind], sign, fill=colour)


def _dark_of(run: MapRun) -> str | None:
    """Protected is dark always, an identity only while there is one."""
    if run.kind is RegionKind.VEHICLE_IDENTITY and run.content is not Content.DATA:
        return None
    return _DARK.get(run.kind) if run.kind else None


def _describe_map(picture: MemoryMap, marks: str) -> str:
    if not picture.rows:
        return "Nothing is in this image."
    last = picture.rows[-1].start + picture.plan.row_length
    first = picture.rows[0].start
    rows = count_of(len(picture.rows), "row")
    cell = count_of(picture.plan.cell, "byte")
    span = f"from {format_address(first)} to {format_address(last - 1)}"
    parts = [f"{rows} of {picture.plan.columns} cells, {cell} a cell, {span}."]
    for kind in picture.kinds:
        spans = _spans_of(picture, kind)
        parts.append(f"{SIGNS[kind]}, {kind.value.replace('-', ' ')}: {_listed(spans)}.")
    marked = union_spans(
        _cell_span(picture, row.start, first, cells)
        for row in picture.rows
        for first, cells in row.marked
    )
    if marked:
        parts.append(f"Cells with bytes that are {marks}: {_listed(marked)}.")
    return " ".join(parts)


def _spans_of(picture: MemoryMap, kind: RegionKind) -> list[Span]:
    spans: list[Span] = []
    for row in picture.rows:
        for run in row.runs:
            if run.kind is not kind:
                continue
            span = _cell_span(picture, row.start, run.first, run.cells)
            if spans and spans[-1].end == span.start:
                span = Span(spans.pop().start, span.end)
            spans.append(span)
    return spans


def _cell_span(picture: MemoryMap, start: int, first: int, cells: int) -> Span:
    cell = picture.plan.cell
    return Span(start + first * cell, start + (first + cells) * cell)


def _listed(spans: Sequence[Span]) -> str:
    shown = ", ".join(format_span(span) for span in spans[:6])
    return shown if len(spans) <= 6 else f"{shown} and {len(spans) - 6} more"


def difference_strip(strip: Strip, *, title: str, name: str, differing: int) -> str:
    """Where two images differ, first to last address."""
    places = count_of(_count_runs(strip), "place")
    words = (
        "No byte differs." if not differing else f"{count_of(differing, 'byte')} differ, {places}."
    )
    return _strip(strip, title, words, name)


def agreement_strip(strip: Strip, *, title: str, name: str, reads: int) -> str:
    """Where several reads of one chip do not hold the same."""
    places = _count_runs(strip)
    words = f"All {reads} reads hold the same bytes."
    if places:
        words = f"The {reads} reads differ in {count_of(places, 'place')}."
    return _strip(strip, title, words, name)


def entropy_strip(strip: Strip, *, title: str, name: str) -> str:
    """How much information the bytes carry: a high bar much, no bar none."""
    full = sum(value > 0.75 for value in strip.values)
    none = sum(value == 0 for value in strip.values)
    words = (
        f"{len(strip.values)} equal parts of the memory: {none} hold nothing but one repeated"
        f" byte, {full} carry more than six bits of information a byte."
    )
    return _strip(strip, title, words, name)


def _count_runs(strip: Strip) -> int:
    before = [0.0, *strip.values]
    return sum(value > 0 and left == 0 for left, value in zip(before, strip.values, strict=False))


def _strip(strip: Strip, title: str, words: str, name: str) -> str:
    """Bars on a ground line, the addresses of both ends below."""
    bars = _STRIP_HEIGHT - 13
    parts = [_rect(0, 0, _STRIP_WIDTH, bars, "#ffffff", "ground", stroke="#8a8a8a")]
    count = max(1, len(strip.values))
    for place, value in enumerate(strip.values):
        if value > 0:
            left = place * _STRIP_WIDTH / count
            height = max(1.0, value * bars)
            width = _STRIP_WIDTH / count
            parts.append(_rect(left, bars - height, width, height, "#333333", "bar"))
    if strip.end > strip.start:
        low = _STRIP_HEIGHT - 1
        parts.append(_text(0, low, format_address(strip.start), "address", anchor="start"))
        last = format_address(strip.end - 1)
        parts.append(_text(_STRIP_WIDTH, low, last, "address", anchor="end"))
    return _svg(parts, _STRIP_WIDTH + 1, _STRIP_HEIGHT, title, words, name)


def _svg(parts: list[str], width: float, height: float, title: str, words: str, name: str) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_n(width)} {_n(height)}"'
        f' role="img" aria-labelledby="{name}-title {name}-words"'
        ' font-family="DejaVu Sans Mono, Consolas, monospace" font-size="9">'
        f'<title id="{name}-title">{escape(safe_text(title))}</title>'
        f'<desc id="{name}-words">{escape(safe_text(words))}</desc>{"".join(parts)}</svg>'
    )


def describe(svg: str) -> str:
    """The words of a picture made here, title and description: its alternative text."""
    from html import unescape

    title = svg.split("</title>", 1)[0].rsplit(">", 1)[1]
    words = svg.split("</desc>", 1)[0].rsplit(">", 1)[1]
    return unescape(f"{title}. {words}")


def _rect(
    left: float, top: float, width: float, height: float, fill: str, role: str, stroke: str = ""
) -> str:
    line = f' stroke="{stroke}" stroke-width="0.5"' if stroke else ""
    return (
        f'<rect class="{role}" x="{_n(left)}" y="{_n(top)}" width="{_n(width)}"'
        f' height="{_n(height)}" fill="{fill}"{line}/>'
    )


def _text(
    left: float, low: float, text: str, role: str, *, fill: str = "#333333", anchor: str = "middle"
) -> str:
    return (
        f'<text class="{role}" x="{_n(left)}" y="{_n(low)}" text-anchor="{anchor}"'
        f' fill="{fill}">{escape(text)}</text>'
    )


def _n(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")
