"""A memory as rows of cells: what a picture of it shows, before anything is drawn.

Rows exist only where some image has bytes: flash at 0 and a few words at 0x10001000 are a
few rows, not a million. Images that are shown side by side share one `MapPlan`, so that a
place is at the same spot in every picture.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.health.content import compute_entropy_strip
from memtool.core.image import Image
from memtool.core.layouts.region import RegionKind
from memtool.core.runs import edges_of, without_small_gaps
from memtool.core.span import Span, union_spans

if TYPE_CHECKING:
    from memtool.core.layouts.layout import Layout
    from memtool.core.runs import Edges

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
    RECORDS = "records"
    """Data in a store of records."""
    ERASED = "erased"
    ZERO = "zero"
    UNDEFINED = "undefined"


class MapPlan(NamedTuple):
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


class MapRun(NamedTuple):
    """Neighbouring cells of a row that look alike."""

    first: int
    """Number of the first cell in its row."""
    cells: int
    content: Content
    kind: RegionKind | None
    """The region's; ``vehicle-identity`` also where a VIN was found without a layout. None where
    the region holds nothing but erased or zero bytes: it looks so, whatever the layout calls it.
    Protected regions are named always: what they hold is not shown."""


class MapRow(NamedTuple):
    """One row of a map."""

    start: int
    """Address of its first byte."""
    runs: tuple[MapRun, ...]
    """By place; together they fill the row."""
    marked: tuple[tuple[int, int], ...]
    """(first cell, cells) of the runs that hold a marked byte."""


class MemoryMap(NamedTuple):
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
    marked: Sequence[Span] | Edges = (),
    stores: Iterable[Span] = (),
) -> MemoryMap:
    """What each cell of `plan` shows of `image`; no content makes it raise.

    Args:
        image: The memory.
        plan: Rows and cells.
        layout: Names the kinds, and the erased byte.
        vins: Where VINs were found: shown as vehicle identity where no region is.
        marked: Bytes to point at, for example those that differ; in any order.
        stores: Where stores of records were found; the layout's are known.
    """
    erased = layout.erased if layout else 0xFF
    kinds = _KindFinder(image, layout, vins, erased)
    marks = _joined_marks(marked, plan.cell)
    kept = union_spans((*stores, *(each.span for each in (layout.records if layout else ()))))
    rows = []
    for start in plan.rows:
        signs = [
            (_content_of(image, cell, erased, kept), kinds.find(cell))
            for cell in (
                Span(at, at + plan.cell) for at in range(start, start + plan.row_length, plan.cell)
            )
        ]
        rows.append(MapRow(start=start, runs=_runs(signs), marked=_marked(plan, start, marks)))
    return MemoryMap(plan=plan, rows=tuple(rows))


def _joined_marks(marked: Sequence[Span] | Edges, cell: int) -> tuple[Span, ...]:
    """Joined where less than a cell lies between: the same cells hold a mark."""
    edges = edges_of(marked) if isinstance(marked, Sequence) else marked
    edges = without_small_gaps(edges[edges[:, 0].argsort()], cell)
    return tuple(Span(start, end) for start, end in edges.tolist())


def _content_of(image: Image, cell: Span, erased: int, stores: Sequence[Span]) -> Content:
    data = _bytes_in(image, cell)
    if not data:
        return Content.UNDEFINED
    if data.count(erased) == len(data):
        return Content.ERASED
    if any(store.overlaps(cell) for store in stores):
        return Content.RECORDS
    return Content.ZERO if data.count(0) == len(data) else Content.DATA


def _bytes_in(image: Image, span: Span) -> bytes:
    """The defined bytes of a span."""
    return b"".join(
        segment.data[max(span.start - segment.start, 0) : span.end - segment.start]
        for segment in image.segments_in(span)
    )


class _KindFinder:
    """The kind that a cell shows: of its regions that hold anything the first by `PRECEDENCE`,
    else a VIN's."""

    def __init__(
        self, image: Image, layout: Layout | None, vins: Iterable[Span], erased: int
    ) -> None:
        blank = bytes({erased, 0})
        self.spans = [
            (region.span, region.kind)
            for region in (layout.regions if layout else ())
            if region.kind is RegionKind.PROTECTED or _bytes_in(image, region.span).strip(blank)
        ]
        self.vins = tuple(vin for vin in union_spans(vins) if _bytes_in(image, vin).strip(blank))

    def find(self, cell: Span) -> RegionKind | None:
        ends = bisect_left(self.spans, cell.end, key=lambda item: item[0].start)
        kinds = set()
        for span, kind in reversed(self.spans[:ends]):
            if span.end <= cell.start:
                break
            kinds.add(kind)
        near = bisect_left(self.vins, cell.start, key=lambda vin: vin.end - 1)
        if near < len(self.vins) and self.vins[near].start < cell.end:
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


STRIP_PARTS = 128
"""A strip has no more parts than this."""


class Strip(NamedTuple):
    """The rows of a map end to end, cut into equal parts: strips and maps share one scale."""

    plan: MapPlan
    per_row: int
    """Parts a row."""
    values: tuple[float | None, ...]
    """0 to 1, part by part; None where the image has no byte."""

    @property
    def breaks(self) -> tuple[int, ...]:
        """Parts before which addresses are left out, since no row stands for them."""
        rows = self.plan.rows
        return tuple(
            number * self.per_row
            for number in range(1, len(rows))
            if rows[number] != rows[number - 1] + self.plan.row_length
        )


def compute_entropy(image: Image, plan: MapPlan) -> Strip:
    """How much information a byte carries, part by part: 0 none, 1 all eight bits."""
    parts = [_bytes_in(image, part) for part in _parts_of(plan)]
    return _strip_of(plan, [_entropy_of(data) for data in parts])


def compute_marks(plan: MapPlan, marked: Iterable[Span]) -> Strip:
    """Which of the parts hold a marked byte: 1, else 0."""
    marks = union_spans(marked)
    return _strip_of(plan, [float(_overlaps_any(marks, part)) for part in _parts_of(plan)])


def _parts_of(plan: MapPlan) -> list[Span]:
    length = plan.row_length // _per_row(plan)
    return [
        Span(at, at + length)
        for row in plan.rows
        for at in range(row, row + plan.row_length, length)
    ]


def _per_row(plan: MapPlan) -> int:
    """Parts a row: a power of two that divides the row's cells."""
    per_row = 1
    most = max(1, STRIP_PARTS // max(1, len(plan.rows)))
    while per_row * 2 <= most and plan.columns % (per_row * 2) == 0:
        per_row *= 2
    return per_row


def _strip_of(plan: MapPlan, values: Sequence[float | None]) -> Strip:
    return Strip(plan=plan, per_row=_per_row(plan), values=tuple(values))


def _entropy_of(data: bytes) -> float | None:
    return compute_entropy_strip(Image.from_bytes(data), 1)[0] / 8 if data else None


def _overlaps_any(spans: Sequence[Span], part: Span) -> bool:
    near = bisect_left(spans, part.start, key=lambda span: span.end - 1)
    return near < len(spans) and spans[near].overlaps(part)
