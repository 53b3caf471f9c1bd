"""Pictures as SVG, one function a picture, for the page and the PDF alike.

Rectangles, lines and letters in shades of grey: what a cell is, is told by its letter, what
its bytes are like by its shade and its strokes, and a mark is a bar under the cell, so that a
print without colour says the same. A page may colour the classes. Each picture has a title and
a description that tell the same in words. `name` keeps the ids of several pictures on one
page apart. Letters are so large that two maps side by side on a sheet print them in 7 points.
"""

from __future__ import annotations

from collections.abc import Iterator
from html import escape, unescape

from memtool.core.layouts.region import RegionKind
from memtool.core.memory_map import PRECEDENCE, Content, MapRow, MapRun, MemoryMap, Strip
from memtool.core.span import Span, format_address, union_spans
from memtool.core.words import count_of, listed_spans
from memtool.render.values import SIGNS, name_words
from memtool.render.words import safe_text

CELL = 10
"""Width of a map's cell; all sizes are units of the picture."""
ROW = 15
"""Height of a map's row, mark and gap included."""
GUTTER = 78
"""Room for the row's address."""
_BAR = 11
"""Height of a cell."""
_LOW = 9.8
"""Where a letter stands in its cell."""
_STRIP_BARS = 22
_STRIP_HEIGHT = 38
_LETTERS = 12
"""Size of the letters."""

_SHADES = {
    Content.DATA: "#bdbdbd",
    Content.RECORDS: "#e2e2e2",
    Content.ERASED: "#ffffff",
    Content.ZERO: "#f1f1f1",
}
_DARK = {RegionKind.VEHICLE_IDENTITY: "#111111", RegionKind.PROTECTED: "#555555"}
"""Kinds that are drawn as a dark cell with a light letter."""
CONTENT_WORDS = {
    Content.DATA: "data",
    Content.RECORDS: "records",
    Content.ERASED: "erased",
    Content.ZERO: "zero",
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
    grid = f' class="map" data-gutter="{GUTTER}" data-columns="{plan.columns}"'
    return _svg(parts, width, height, title, _describe_map(picture, marks), name, grid)


def map_key(*maps: MemoryMap, marks: str) -> tuple[tuple[str, str], ...]:
    """(swatch, words) of everything that occurs in the maps: a cell as it is drawn in them."""
    kinds = {kind for shown in maps for kind in shown.kinds}
    contents = {content for shown in maps for content in shown.contents}
    key = [(_swatch(Content.DATA, kind), name_words(kind)) for kind in PRECEDENCE if kind in kinds]
    key += [
        (_swatch(content, None), words)
        for content, words in CONTENT_WORDS.items()
        if content in contents
    ]
    if any(shown.has_marks for shown in maps):
        key.append((_swatch(Content.ERASED, None, marked=True), marks))
    return tuple(key)


def _swatch(content: Content, kind: RegionKind | None, *, marked: bool = False) -> str:
    """One cell of a map; the words beside it say what it is."""
    run = MapRun(first=0, cells=2, content=content, kind=kind)
    parts = list(_run(run, 0, left=1))
    if marked:
        parts.append(_mark(1, 0, 2 * CELL))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="swatch" aria-hidden="true"'
        f' viewBox="0 0 {2 * CELL + 2} {ROW}" width="{2 * CELL + 2}" height="{ROW}"'
        f" {_FONT}>{''.join(parts)}</svg>"
    )


def _mark(left: float, top: float, width: float) -> str:
    return _rect(left, top + _BAR + 0.5, width, 2.5, "#111111", "mark")


def _row(row: MapRow, picture: MemoryMap, top: int) -> Iterator[str]:
    length = picture.plan.row_length
    yield f'<g data-start="{row.start}" data-end="{row.start + length}">'
    width = GUTTER + picture.plan.columns * CELL
    yield f'<rect x="0" y="{top}" width="{width}" height="{ROW}" fill="none" pointer-events="all"/>'
    yield _text(0, top + _LOW, format_address(row.start), "address", anchor="start")
    for run in row.runs:
        yield from _run(run, top, left=GUTTER + run.first * CELL)
    for first, cells in row.marked:
        yield _mark(GUTTER + first * CELL, top, cells * CELL)
    yield "</g>"


def _run(run: MapRun, top: int, *, left: float) -> Iterator[str]:
    width = run.cells * CELL
    if run.content is Content.UNDEFINED:
        return
    dark = _dark_of(run)
    kind = f" kind-{run.kind}" if run.kind else ""
    role = f"content-{run.content}{kind}{' dark' if dark else ''}"
    yield _rect(left, top, width, _BAR, dark or _SHADES[run.content], role, stroke="#8a8a8a")
    if dark is None:
        yield from _strokes(run, left, top)
    if run.kind is not None:
        colour = "#ffffff" if dark else "#111111"
        sign = f"sign{' on-dark' if dark else ''}"
        yield _text(left + width / 2, top + _LOW, SIGNS[run.kind], sign, fill=colour)


def _dark_of(run: MapRun) -> str | None:
    """Protected is dark always, an identity only where there are bytes of it."""
    held = run.content in (Content.DATA, Content.RECORDS)
    if run.kind is RegionKind.VEHICLE_IDENTITY and not held:
        return None
    return _DARK.get(run.kind) if run.kind else None


def _strokes(run: MapRun, left: float, top: int) -> Iterator[str]:
    """Records: a stroke across each cell. Zero: a line through the middle."""
    if run.content is Content.RECORDS:
        path = "".join(
            f"M{_n(left + number * CELL)} {top + _BAR}L{_n(left + (number + 1) * CELL)} {top}"
            for number in range(run.cells)
        )
    elif run.content is Content.ZERO and run.kind is None:
        path = f"M{_n(left)} {_n(top + _BAR / 2)}H{_n(left + run.cells * CELL)}"
    else:
        return
    yield (
        f'<path class="stroke" d="{path}" stroke="#8a8a8a" stroke-width="0.7" fill="none"'
        ' pointer-events="none"/>'
    )


def _describe_map(picture: MemoryMap, marks: str) -> str:
    if not picture.rows:
        return "This image is empty."
    last = picture.rows[-1].start + picture.plan.row_length
    first = picture.rows[0].start
    rows = count_of(len(picture.rows), "row")
    cell = count_of(picture.plan.cell, "byte")
    span = f"from {format_address(first)} to {format_address(last - 1)}"
    parts = [f"{rows} of {picture.plan.columns} cells, {cell} a cell, {span}."]
    for kind in picture.kinds:
        spans = _spans_of(picture, kind)
        parts.append(f"{SIGNS[kind]}, {name_words(kind)}: {listed_spans(spans, 6)}.")
    marked = union_spans(
        _cell_span(picture, row.start, first, cells)
        for row in picture.rows
        for first, cells in row.marked
    )
    if marked:
        parts.append(f"Cells with bytes that are {marks}: {listed_spans(marked, 6)}.")
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


def difference_strip(strip: Strip, *, title: str, name: str, words: str) -> str:
    """Where two images differ, on the map's scale; `words` say how much."""
    return _strip(strip, title, words, name)


def agreement_strip(strip: Strip, *, title: str, name: str, reads: int, places: int) -> str:
    """Where several reads of one chip differ, on the map's scale."""
    words = f"The {reads} reads differ in {count_of(places, 'place')}."
    return _strip(strip, title, words, name)


def entropy_strip(strip: Strip, *, title: str, name: str) -> str:
    """How much information the bytes carry: a high bar much, no bar none."""
    held = [value for value in strip.values if value is not None]
    full = sum(value > 0.75 for value in held)
    none = sum(value == 0 for value in held)
    words = (
        f"{len(held)} equal parts of the memory: {none} hold nothing but one repeated"
        f" byte, {full} carry more than six bits of information a byte."
    )
    return _strip(strip, title, words, name)


def _strip(strip: Strip, title: str, words: str, name: str) -> str:
    """Bars on a ground line as wide as a map's row; a gap where addresses are left out."""
    plan = strip.plan
    across = plan.columns * CELL
    width = across / max(1, len(strip.values))
    parts = [_rect(GUTTER, 0, across, _STRIP_BARS, "#ffffff", "ground", stroke="#8a8a8a")]
    for place, value in enumerate(strip.values):
        left = GUTTER + place * width
        if value is None:
            parts.append(_rect(left, _STRIP_BARS - 3, width, 3, "#d0d0d0", "nothing"))
        elif value > 0:
            height = max(1.0, value * _STRIP_BARS)
            parts.append(_rect(left, _STRIP_BARS - height, width, height, "#333333", "bar"))
    for place in strip.breaks:
        left = GUTTER + place * width - 1.5
        parts.append(_rect(left, 0, 3, _STRIP_BARS, "#ffffff", "break", stroke="#8a8a8a"))
    if plan.rows:
        low = _STRIP_HEIGHT - 3
        end = plan.rows[-1] + plan.row_length - 1
        parts.append(_text(GUTTER, low, format_address(plan.rows[0]), "address", anchor="start"))
        parts.append(_text(GUTTER + across, low, format_address(end), "address", anchor="end"))
    return _svg(parts, GUTTER + across + 1, _STRIP_HEIGHT, title, words, name)


_FONT = f'font-family="DejaVu Sans Mono, Consolas, monospace" font-size="{_LETTERS}"'


def _svg(
    parts: list[str],
    width: float,
    height: float,
    title: str,
    words: str,
    name: str,
    attributes: str = "",
) -> str:
    box = f"0 0 {_n(width)} {_n(height)}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg"{attributes} viewBox="{box}"'
        f' role="img" aria-labelledby="{name}-title {name}-words" {_FONT}>'
        f'<title id="{name}-title">{escape(safe_text(title))}</title>'
        f'<desc id="{name}-words">{escape(safe_text(words))}</desc>{"".join(parts)}</svg>'
    )


def describe(svg: str) -> str:
    """The words of a picture made here, title and description: its alternative text."""
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
