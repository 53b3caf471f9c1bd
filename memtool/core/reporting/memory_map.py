"""A memory as rows of cells: what a picture of it shows, before anything is drawn.

Rows exist only where some image has bytes: flash at 0 and a few words at 0x10001000 are a
few rows, not a million. Images that are shown side by side share one `MapPlan`, so that a
place is at the same spot in every picture.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from memtool.core.health.content import compute_entropy_strip
from memtool.core.image import Image
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import RegionKind
from memtool.core.span import Span, intersect_spans, union_spans

PRECEDENCE = (
    RegionKind.PROTECTED,
    RegionKind.MODULE_IDENTITY,
    RegionKind.VEHICLE_IDENTITY,
    RegionKind.STATE,
    RegionKind.CONFIGURATION,
    RegionKind.CHECKSUM,
    RegionKind.CALIBRATION,
    RegionKind.CODE,
    RegionKind.UNUSED,
)
"""Where a cell holds several kinds, the first of these shows."""


class Content(StrEnum):
    """What the bytes of a cell are like."""

    DATA = "data"
    ERASED = "erased"
    ZERO = "zero"
    UNDEFINED = "undefined"


@dataclass(frozen=True, slots=True, kw_only=True)
class MapPlan:
    """Which addresses the rows of a map stand for."""

    cell: int
    """Bytes a cell: a power of two."""
    columns: int
    """Cells a row."""
    rows: tuple[int, ...]
    """First address of each row, ascending; multiples of ``cell * columns``."""

    @property
    def row_length(self) -> int:
        """Bytes a row."""
        return self.cell * self.columns


@dataclass(frozen=True, slots=True, kw_only=True)
class MapRun:
    """Neighbouring cells of a row that look alike."""

    first: int
    """Number of the first cell in its row."""
    cells: int
    content: Content
    kind: RegionKind | None
    """The region's; ``vehicle-identity`` also where a VIN was found without a layout."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MapRow:
    """One row of a map."""

    start: int
    """Address of its first byte."""
    runs: tuple[MapRun, ...]
    """By place; together they fill the row."""
    marked: tuple[tuple[int, int], ...]
    """(first cell, cells) of the runs that hold a marked byte."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MemoryMap:
    """All that a picture of one memory shows."""

    plan: MapPlan
    rows: tuple[MapRow, ...]

    @property
    def kinds(self) -> tuple[RegionKind, ...]:
        """The kinds that occur, in the order of `PRECEDENCE`."""
        found = {run.kind for row in self.rows for run in row.runs}
        return tuple(kind for kind in PRECEDENCE if kind in found)

    @property
    def contents(self) -> tuple[Content, ...]:
        """The contents that occur."""
        found = {run.content for row in self.rows for run in row.runs}
        return tuple(content for content in Content if content in found)

    @property
    def has_marks(self) -> bool:
        """Whether any byte is marked."""
        return any(row.marked for row in self.rows)


def plan_map(spans: Iterable[Span], *, columns: int, most_rows: int) -> MapPlan:
    """Choose rows for the given addresses: as fine as `most_rows` allows.

    Raises:
        ValueError: `columns` or `most_rows` is below 1.
    """
    if columns < 1 or most_rows < 1:
        raise ValueError("a map has at least one row and one column")
    joined = union_spans(spans)
    cell = 1
    while (rows := _rows_of(joined, cell * columns, most_rows)) is None:
        cell *= 2
    return MapPlan(cell=cell, columns=columns, rows=rows)


def _rows_of(spans: Sequence[Span], length: int, most: int) -> tuple[int, ...] | None:
    """The rows' first addresses; None where there are more than `most`."""
    rows: list[int] = []
    for span in spans:
        first = span.start // length
        if rows and first <= rows[-1]:
            first = rows[-1] + 1
        last = (span.end - 1) // length
        if len(rows) + last - first + 1 > most:
            return None
        rows += range(first, last + 1)
    return tuple(row * length for row in rows)


def compute_map(
    image: Image,
    plan: MapPlan,
    *,
    layout: Layout | None = None,
    vins: Iterable[Span] = (),
    marked: Sequence[Span] = (),
) -> MemoryMap:
    """What each cell of `plan` shows of `image`; no content makes it raise.

    Args:
        image: The memory.
        plan: Rows and cells.
        layout: Names the kinds, and the erased byte.
        vins: Where VINs were found: shown as vehicle identity where no region is.
        marked: Bytes to point at, for example those that differ.
    """
    erased = layout.erased if layout else 0xFF
    kinds = _KindFinder(layout, vins)
    marks = union_spans(marked)
    rows = []
    for start in plan.rows:
        signs = [
            (_content_of(image, cell, erased), kinds.find(cell))
            for cell in (
                Span(at, at + plan.cell) for at in range(start, start + plan.row_length, plan.cell)
            )
        ]
        rows.append(MapRow(start=start, runs=_runs(signs), marked=_marked(plan, start, marks)))
    return MemoryMap(plan=plan, rows=tuple(rows))


def _content_of(image: Image, cell: Span, erased: int) -> Content:
    parts = intersect_spans([cell], (span for span in image.spans if span.overlaps(cell)))
    if not parts:
        return Content.UNDEFINED
    data = b"".join(image.read(part) for part in parts)
    if data.count(erased) == len(data):
        return Content.ERASED
    return Content.ZERO if data.count(0) == len(data) else Content.DATA


class _KindFinder:
    """The kind that a cell shows: of its regions the first by `PRECEDENCE`, else a VIN's."""

    def __init__(self, layout: Layout | None, vins: Iterable[Span]) -> None:
        self.spans: list[tuple[Span, RegionKind]] = []
        if layout is not None:
            self.spans = [(region.span, region.kind) for region in layout.regions]
        self.vins = union_spans(vins)

    def find(self, cell: Span) -> RegionKind | None:
        ends = bisect_left(self.spans, cell.end, key=lambda item: item[0].start)
        kinds = set()
        for span, kind in reversed(self.spans[:ends]):
            if span.end <= cell.start:
                break
            kinds.add(kind)
        if any(vin.overlaps(cell) for vin in self.vins):
            kinds.add(RegionKind.VEHICLE_IDENTITY)
        return next((kind for kind in PRECEDENCE if kind in kinds), None)


def _runs(signs: Sequence[tuple[Content, RegionKind | None]]) -> tuple[MapRun, ...]:
    runs: list[MapRun] = []
    first = 0
    for place in range(1, len(signs) + 1):
        if place == len(signs) or signs[place] != signs[first]:
            content, kind = signs[first]
            runs.append(MapRun(first=first, cells=place - first, content=content, kind=kind))
            first = place
    return tuple(runs)


def _marked(plan: MapPlan, start: int, marks: Sequence[Span]) -> tuple[tuple[int, int], ...]:
    row = Span(start, start + plan.row_length)
    near = bisect_left(marks, row.start, key=lambda mark: mark.end - 1)
    found: list[tuple[int, int]] = []
    for mark in marks[near:]:
        part = mark.intersection(row)
        if part is None:
            break
        first = (part.start - start) // plan.cell
        end = (part.end - 1 - start) // plan.cell + 1
        if found and first <= found[-1][0] + found[-1][1]:
            before = found.pop()
            first = before[0]
        found.append((first, end - first))
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """One value for each of equal parts of the defined bytes, first to last address."""

    start: int
    """First address."""
    end: int
    """First address after the last part."""
    values: tuple[float, ...]
    """0 to 1."""


def compute_entropy(image: Image, *, cells: int) -> Strip:
    """How much information a byte carries, part by part: 0 none, 1 all eight bits."""
    extent = image.extent
    values = tuple(bits / 8 for bits in compute_entropy_strip(image, cells))
    return Strip(
        start=extent.start if extent else 0, end=extent.end if extent else 0, values=values
    )


def compute_marks(image: Image, marked: Iterable[Span], *, cells: int) -> Strip:
    """Which of the parts that `compute_entropy` shows hold a marked byte: 1, else 0."""
    marks = union_spans(marked)
    extent = image.extent
    count = min(cells, image.size)
    values = [0.0] * count
    offset = 0
    for segment in image.segments:
        for mark in marks:
            part = mark.intersection(segment.span)
            if part is None:
                continue
            first, last = part.start - segment.start + offset, part.end - 1 - segment.start + offset
            for place in range(
                _part_of(first, image.size, count), _part_of(last, image.size, count) + 1
            ):
                values[place] = 1.0
        offset += len(segment.data)
    return Strip(
        start=extent.start if extent else 0, end=extent.end if extent else 0, values=tuple(values)
    )


def _part_of(offset: int, size: int, count: int) -> int:
    """The part that a byte falls into, where the first parts are one byte longer."""
    length, longer = divmod(size, count)
    border = longer * (length + 1)
    return offset // (length + 1) if offset < border else longer + (offset - border) // length
