"""The map of a layout under review: letters for what was answered, question marks for the rest."""

from __future__ import annotations

from collections.abc import Iterator

from rich.text import Text
from textual.widget import Widget

from memtool.core.layouts.layout import Layout
from memtool.core.memory_map import PRECEDENCE, MapPlan, plan_map
from memtool.core.span import Span, format_address
from memtool.core.words import count_of
from memtool.render.values import SIGNS, name_words
from memtool.workflow.reviewing import Answer, Review

_OPEN, _NOTHING, _RECORDS = "?", ".", "R"
_COLUMNS = (128, 64, 32)
_MOST_ROWS, _FEW_ROWS = 5, 2


class ReviewMap(Widget):
    """What the answers come to, over the whole memory; the guess that is asked about stands out."""

    DEFAULT_CSS = """
    ReviewMap { height: auto; padding: 0 1; }
    """

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - textual's name
        super().__init__(id=id)
        self._layout: Layout | None = None
        self._open: frozenset[str] = frozenset()
        self._asked: Span | None = None

    def show(self, review: Review, layout: Layout, asked: Span | None) -> None:
        """Draw a layout as it is with the answers, and where the asked guess lies."""
        changed = review.names(Answer.CHANGE)
        renamed = {name: review.answers[name].change.get("name", name) for name in changed}
        answered = {renamed.get(name, name) for name in review.answers}
        names = {region.name for region in layout.regions} | {each.name for each in layout.records}
        self._layout, self._open, self._asked = layout, frozenset(names - answered), asked
        self.refresh(layout=True)

    def render(self) -> Text:
        """Rows of letters, and what they mean as far as there is room."""
        layout = self._layout
        if layout is None:
            return Text()
        wide = len(format_address(layout.span.end - 1)) + 1
        columns = next((each for each in _COLUMNS if each + wide <= self.screen.size.width - 2), 16)
        most = _MOST_ROWS if columns == _COLUMNS[0] else _FEW_ROWS
        plan = plan_map([layout.span], columns=columns, most_rows=most)
        lines = [self._row(layout, plan, start) for start in plan.rows]
        lines.append(Text(self._key(layout, plan)))
        return Text("\n", no_wrap=True, overflow="crop").join(lines)

    def _key(self, layout: Layout, plan: MapPlan) -> str:
        """As many of the letters as there is room for."""
        words = f"{count_of(plan.cell, 'byte')} a letter   {_OPEN} open   {_NOTHING} no region"
        kinds = {region.kind for region in layout.regions if region.name not in self._open}
        for kind in (kind for kind in PRECEDENCE if kind in kinds):
            more = f"   {SIGNS[kind]} {name_words(kind)}"
            if len(words) + len(more) <= self.screen.size.width - 2:
                words += more
        return words

    def _row(self, layout: Layout, plan: MapPlan, start: int) -> Text:
        line = Text(f"{format_address(start)} ", style="bold")
        for at in range(start, start + plan.row_length, plan.cell):
            cell = Span(at, at + plan.cell)
            if not cell.overlaps(layout.span):
                break
            asked = self._asked is not None and self._asked.overlaps(cell)
            line.append(self._sign(layout, cell), style="reverse" if asked else "not bold")
        return line

    def _sign(self, layout: Layout, cell: Span) -> str:
        return next(self._signs(layout, cell), _NOTHING)

    def _signs(self, layout: Layout, cell: Span) -> Iterator[str]:
        """What is answered comes before what is open."""
        regions = layout.regions_in(cell)
        kinds = {region.kind for region in regions if region.name not in self._open}
        yield from (SIGNS[kind] for kind in PRECEDENCE if kind in kinds)
        stores = [each for each in layout.records if each.span.overlaps(cell)]
        yield from (_RECORDS for each in stores if each.name not in self._open)
        if regions or stores:
            yield _OPEN
