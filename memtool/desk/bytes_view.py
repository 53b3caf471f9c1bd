"""The rows of bytes as a widget: draws the lines that are in view, and no other."""

from __future__ import annotations

from itertools import groupby
from operator import itemgetter
from typing import ClassVar

from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.binding import Binding, BindingType
from textual.geometry import Size
from textual.message import Message
from textual.reactive import reactive
from textual.scroll_view import ScrollView
from textual.strip import Strip

from memtool.core.span import Span
from memtool.desk.bytes_lens import Lens
from memtool.desk.bytes_lines import Columns, Rows, columns_of, draw_line

_REGION_ROOM = 14
"""Columns that the names of regions need at least, beside rows of sixteen bytes."""
_NOWHERE = -1
"""Where the cursor is before it was anywhere."""
_STYLES = ("address", "label", "bracket", "differs", "cursor", "match", "sign")


class BytesView(ScrollView, can_focus=True):
    """Bytes of one or more images, with a cursor."""

    DEFAULT_CSS = """
    BytesView { height: 1fr; width: 1fr; overflow-x: hidden; overflow-y: scroll;
        scrollbar-size-vertical: 1; }
    BytesView > .bytes--address { color: $text-muted; }
    BytesView > .bytes--label { text-style: bold; }
    BytesView > .bytes--bracket { color: $warning; text-style: bold; }
    BytesView > .bytes--differs { color: $warning; text-style: bold; }
    BytesView > .bytes--match { text-style: underline bold; }
    BytesView > .bytes--cursor { text-style: reverse; }
    BytesView > .bytes--sign { color: $foreground; text-style: bold; }
    """
    COMPONENT_CLASSES: ClassVar[set[str]] = {f"bytes--{name}" for name in _STYLES}
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "step(-1)", show=False),
        Binding("right", "step(1)", show=False),
        Binding("up", "rows(-1)", show=False),
        Binding("down", "rows(1)", show=False),
        Binding("pageup", "pages(-1)", show=False),
        Binding("pagedown", "pages(1)", show=False),
        Binding("home", "to_end(-1)", show=False),
        Binding("end", "to_end(1)", show=False),
        Binding("ctrl+home", "to_border(-1)", show=False),
        Binding("ctrl+end", "to_border(1)", show=False),
    ]
    cursor: reactive[int] = reactive(0, init=False)
    """The address that is pointed at."""
    match: reactive[Span | None] = reactive(None, init=False)
    """What was found last."""

    class Moved(Message):
        """The cursor points at another address."""

        def __init__(self, address: int) -> None:
            super().__init__()
            self.address = address

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - textual's name
        super().__init__(id=id)
        self._lens: Lens | None = None
        self._rows: Rows | None = None
        self._columns: Columns | None = None

    def show(self, lens: Lens, address: int | None = None) -> None:
        """Look at other images; the cursor goes to `address`, or to the first byte."""
        self._lens = lens
        first = lens.spans[0].start if lens.spans else 0
        self._count()
        self.set_reactive(BytesView.match, None)
        self.set_reactive(BytesView.cursor, _NOWHERE)
        self.go_to(first if address is None else address)

    def go_to(self, address: int, *, match: Span | None = None) -> None:
        """Point at an address, or at the nearest one that is shown, and bring it into view."""
        if self._rows is None or not len(self._rows):
            return
        row = self._rows.beyond(address, 0) - address % self._rows.length
        near = address if row == address - address % self._rows.length else row
        self.match = match
        self.cursor = near

    def watch_cursor(self, before: int, address: int) -> None:
        """Follow the cursor; where nothing scrolls, only its two rows are drawn anew."""
        if self._rows is None or not len(self._rows):
            return
        if not self._bring_into_view(address):
            for each in {before, address} - {_NOWHERE}:
                self.refresh_lines(*self._rows.line_of(each))
        self.post_message(self.Moved(address))

    def _bring_into_view(self, address: int) -> bool:
        """Scroll so far that the row of `address` is seen; whether it had to."""
        assert self._rows is not None
        first, count = self._rows.line_of(address)
        top, height = round(self.scroll_offset.y), max(self.size.height, 1)
        if first < top:
            to = first
        elif first + count > top + height:
            # What is jumped to stands a few lines below the top, with what lies before it.
            near = first + count - height
            to = near if first - top < 2 * height else max(first - height // 3, 0)
        else:
            return False
        self.scroll_to(y=to, animate=False, immediate=True)
        return True

    def watch_match(self) -> None:
        """Draw what was found."""
        self.refresh()

    def on_resize(self) -> None:
        """Longer rows where there is room for them."""
        if self._lens is not None:
            self._count()
            self._bring_into_view(max(self.cursor, 0))

    @property
    def _width(self) -> int:
        return self.scrollable_content_region.width

    def _count(self) -> None:
        assert self._lens is not None
        long = columns_of(self._lens, 16)
        length = 16 if self._width >= long.regions + _REGION_ROOM else 8
        if self._rows is None or self._rows.lens is not self._lens or self._rows.length != length:
            self._rows = Rows(self._lens, length)
            self._columns = columns_of(self._lens, length)
        self.virtual_size = Size(self._width, len(self._rows))
        self.refresh()

    def render_line(self, y: int) -> Strip:
        """One line of those in view."""
        line = y + round(self.scroll_offset.y)
        base = self.rich_style
        if self._rows is None or self._columns is None or line >= len(self._rows):
            return Strip.blank(self._width, base)
        pieces = draw_line(self._rows, self._columns, line, cursor=self.cursor, match=self.match)
        # Few long segments instead of many of two signs: a screen is drawn in half the time.
        segments = [
            Segment("".join(text for text, _ in alike), base + self._style_of(name))
            for name, alike in groupby(pieces, key=itemgetter(1))
        ]
        return Strip(segments).adjust_cell_length(self._width, base)

    def _style_of(self, name: str) -> Style:
        return self.get_component_rich_style(f"bytes--{name}") if name else Style.null()

    def on_click(self, event: events.Click) -> None:
        """Point at the byte that was clicked."""
        if self._rows is None or self._columns is None:
            return
        line = event.y + round(self.scroll_offset.y)
        place = self._columns.place_at(event.x)
        if place is not None and line < len(self._rows):
            self.go_to(self._rows.at(line)[0] + place)

    def action_step(self, step: int) -> None:
        """One byte on or back, over gaps."""
        if self._rows is None:
            return
        length, to = self._rows.length, self.cursor + step
        if to // length == self.cursor // length:
            self.go_to(to)
            return
        row = self._rows.beyond(self.cursor, step)
        if row != self.cursor:
            self.go_to(row - row % length + (0 if step > 0 else length - 1))

    def action_rows(self, rows: int) -> None:
        """Rows down or up."""
        if self._rows is not None:
            self.go_to(self._rows.beyond(self.cursor, rows))

    def action_pages(self, pages: int) -> None:
        """A screenful down or up."""
        if self._rows is None or not len(self._rows):
            return
        height = max(self.size.height - 1, 1)
        line = self._rows.line_of(self.cursor)[0] + pages * height
        to = self._rows.at(min(max(line, 0), len(self._rows) - 1))[0]
        at = to + self.cursor % self._rows.length
        # Rows that unfold may be as high as the screen: one row at least.
        self.go_to(self._rows.beyond(self.cursor, pages) if at == self.cursor else at)

    def action_to_end(self, side: int) -> None:
        """To the first or last byte of the row."""
        if self._rows is not None:
            first = self.cursor - self.cursor % self._rows.length
            self.go_to(first if side < 0 else first + self._rows.length - 1)

    def action_to_border(self, side: int) -> None:
        """To the first or last byte of the memory."""
        if self._lens is not None and self._lens.spans:
            spans = self._lens.spans
            self.go_to(spans[0].start if side < 0 else spans[-1].end - 1)
