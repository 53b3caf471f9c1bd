"""The whole memory as a narrow map of letters, with the place that is looked at."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text
from textual import events
from textual.message import Message
from textual.reactive import reactive
from textual.widget import Widget

from memtool.core.image import Image
from memtool.core.layouts.layout import Layout
from memtool.core.memory_map import MapRow, MemoryMap, compute_map, plan_map
from memtool.core.span import Span
from memtool.core.words import count_of
from memtool.desk.bytes_lens import Lens
from memtool.render.text.terminal_map import CONTENT_KEY, CONTENT_SIGNS, KIND_IN_SHORT
from memtool.render.values import SIGNS, name_words

NARROW, WIDE = 8, 16
_HERE, _MARKED = ">", "*"
_LEAST_ROWS = 4
_FOR_KEY = 22
"""Lines from which a narrow map has room for what its letters mean."""


class MapView(Widget):
    """Letters for the kinds of regions and contents; a star beside rows that differ."""

    DEFAULT_CSS = """
    MapView { width: 12; height: 1fr; padding: 0 1 0 0; }
    MapView.-wide { width: 26; }
    """
    cursor: reactive[int] = reactive(0)
    """The address that is pointed at."""

    class Chosen(Message):
        """A cell was clicked."""

        def __init__(self, address: int) -> None:
            super().__init__()
            self.address = address

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - textual's name
        super().__init__(id=id)
        self._image: Image | None = None
        self._layout: Layout | None = None
        self._spans: Sequence[Span] = ()
        self._vins: Sequence[Span] = ()
        self._marked: Sequence[Span] = ()
        self._drawn: MemoryMap | None = None
        self._marks = ""

    def show(self, lens: Lens) -> None:
        """Draw the first of the images, and where the others differ."""
        self._image, self._layout, self._spans = lens.sides[0].image, lens.layout, lens.spans
        self._vins = tuple(vin.span for side in lens.sides for vin in side.vins)
        self._marked = tuple(Span(first, end) for first, end in lens.differing.tolist())
        self._marks = "differs"
        self._compute()

    def on_resize(self) -> None:
        """As fine as there is room."""
        self._compute()

    def _compute(self) -> None:
        if self._image is None or not self.size.height:
            return
        columns = WIDE if self.size.width >= WIDE + 8 else NARROW
        key = 1 if columns == NARROW and self.size.height < _FOR_KEY else 10
        rows = max(self.size.height - key, _LEAST_ROWS)
        self._drawn = compute_map(
            self._image,
            plan_map(self._spans, columns=columns, most_rows=rows),
            layout=self._layout,
            vins=self._vins,
            marked=self._marked,
        )
        self.refresh()

    def render(self) -> Text:
        """The map and as much of its key as there is room for."""
        if self._drawn is None:
            return Text()
        lines = [self._row(row) for row in self._drawn.rows]
        lines += [Text(line) for line in self._key(self._drawn)]
        return Text("\n", no_wrap=True, overflow="crop").join(lines[: self.size.height])

    def _row(self, row: MapRow) -> Text:
        assert self._drawn is not None
        plan = self._drawn.plan
        inside = row.start <= self.cursor < row.start + plan.row_length
        line = Text(_HERE if inside else " ", style="bold")
        for run in row.runs:
            sign = SIGNS[run.kind] if run.kind else CONTENT_SIGNS[run.content]
            line.append(sign * run.cells, style="bold" if run.kind else "")
        for first, cells in row.marked:
            line.stylize("underline", 1 + first, 1 + first + cells)
        if inside:
            cell = 1 + (self.cursor - row.start) // plan.cell
            line.stylize("reverse", cell, cell + 1)
        line.append(_MARKED if row.marked else " ", style="bold")
        return line

    def _key(self, drawn: MemoryMap) -> list[str]:
        size = drawn.plan.cell
        if drawn.plan.columns == NARROW:
            names = (f" {SIGNS[kind]} {KIND_IN_SHORT[kind]}" for kind in drawn.kinds)
            return [f" {size:,} a cell", *names]
        bare = {run.content for row in drawn.rows for run in row.runs if run.kind is None}
        return [
            f" {count_of(size, 'byte')} a cell",
            *(f" {SIGNS[kind]} {name_words(kind)}" for kind in drawn.kinds),
            *(
                f" {CONTENT_SIGNS[each]} {CONTENT_KEY[each]}"
                for each in CONTENT_KEY
                if each in bare
            ),
            *([f" {_MARKED} {self._marks}"] if drawn.has_marks else []),
        ]

    def on_click(self, event: events.Click) -> None:
        """Go to what was clicked."""
        if self._drawn is None or not 0 <= event.y < len(self._drawn.rows):
            return
        plan = self._drawn.plan
        cell = min(max(event.x - 1, 0), plan.columns - 1)
        self.post_message(self.Chosen(self._drawn.rows[event.y].start + cell * plan.cell))
