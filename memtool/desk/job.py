"""One job: its memories against the steps of the work, and the next step under Enter."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any, ClassVar

from rich.text import Text
from textual.binding import Binding
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.content import Content
from textual.widget import Widget
from textual.widgets import DataTable, Static

from memtool.core.job.next_action import find_next
from memtool.core.job.next_kinds import NextAction
from memtool.desk import steps
from memtool.desk.looks import as_cell, as_text
from memtool.desk.screen import DeskScreen
from memtool.desk.session import Session
from memtool.render.text.next_view import next_in_short, tell_next
from memtool.render.text.overview import Overview, Row, make_overview, render_cell, row_of
from memtool.render.values import name_words
from memtool.render.words import safe_text
from memtool.workflow.jobs import OpenJob


class JobScreen(DeskScreen):
    """The order at a glance."""

    BINDINGS: ClassVar[list[Any]] = [
        Binding("enter", "next", "Next", priority=True),
        Binding("d", "decide", "Decide"),
        Binding("a", "add_reads", "Reads"),
        Binding("b", "blank", "Old identity"),
        Binding("c", "check", "Check"),
        Binding("y", "bytes", "Bytes"),
        Binding("l", "layout", "Layout"),
        Binding("n", "note", "Note"),
        Binding("p", "photo", "Photo"),
        Binding("r", "report", "Report"),
        Binding("o", "order", "Record"),
        Binding("g", "give_back", "Restore"),
        Binding("t", "test", "Tried"),
        Binding("escape", "back", "Jobs"),
    ]

    def __init__(self, desk: Session, job: Path) -> None:
        super().__init__(desk, job)
        self.job_folder = job
        self.opened: OpenJob | None = None
        self.step: NextAction | None = None
        self._overview: Overview | None = None

    def body(self) -> Iterable[Widget]:
        """The table, details beside it, the next step below."""
        with Horizontal(id="halves"):
            with Vertical(id="steps"):
                table: DataTable[str | Text] = DataTable(id="table", cursor_type="cell")
                yield table
            with VerticalScroll(id="details", can_focus=False):
                yield Static(id="view")
        yield Static(id="next")
        yield Static(id="ran")

    def on_screen_resume(self) -> None:
        """The journal is read anew each time the screen comes to the front."""
        self.refill()

    def refill(self) -> None:
        """Show the job as its journal has it now."""
        opened = self.attempt(lambda: self.desk.job(self.job_folder))
        if opened is None:
            return
        self.opened = opened
        self.step = find_next(opened.job)
        self._overview = make_overview(opened.job)
        self._tell_order(opened)
        self._fill(self._overview)
        short, sentence = next_in_short(self.step), tell_next(self.step)
        # Of a job that is done both begin alike.
        text = sentence if sentence.startswith(short) else f"{short}. {_capital(sentence)}"
        self.query_one("#next", Static).update(Content(f"Next: {text}"))
        last = self.desk.ran[-1] if self.desk.ran else None
        self.query_one("#ran", Static).update(
            Content("" if last is None else f"$ {safe_text(last)}")
        )

    def _tell_order(self, opened: OpenJob) -> None:
        order = opened.job.order
        name = order.work_order or opened.folder.name
        kind = "" if order.module_kind is None else f" · {name_words(order.module_kind)} module"
        self.tell_title(f"Order {name} · {order.vehicle_vin or 'no vehicle'}{kind}")

    def _fill(self, overview: Overview) -> None:
        table = self.query_one(DataTable)
        table.clear(columns=True)
        table.add_column("Step")
        for memory in overview.memories:
            table.add_column(safe_text(memory))
        for row, cells in overview.rows:
            table.add_row(row.value, *map(as_cell, cells))
        if self.step is not None and overview.memories:
            rows = [row for row, _ in overview.rows]
            row = row_of(self.step)
            name = self.step.memory
            column = overview.memories.index(name) if name in overview.memories else 0
            table.move_cursor(row=rows.index(row) if row in rows else 0, column=column + 1)
        table.focus()
        self._show_details()

    def on_data_table_cell_highlighted(self, event: DataTable.CellHighlighted) -> None:
        """Details follow the cursor."""
        self._show_details()

    def on_resize(self) -> None:
        """They are made for the room there is."""
        self.call_after_refresh(self._show_details)

    def under_cursor(self) -> tuple[Row, str] | None:
        """Step and memory of the cell under the cursor; None where there is none."""
        overview = self._overview
        if overview is None or not overview.memories:
            return None
        at = self.query_one(DataTable).cursor_coordinate
        row = overview.rows[min(at.row, len(overview.rows) - 1)][0]
        return row, overview.memories[max(0, min(at.column - 1, len(overview.memories) - 1))]

    def _show_details(self) -> None:
        at, opened = self.under_cursor(), self.opened
        room = self.query_one("#details").size.width - 3
        if at is None or opened is None or room < 10:
            return
        text = as_text(lambda: render_cell(opened.job, *at), room)
        self.query_one("#view", Static).update(text)
        self.query_one("#details").scroll_home(animate=False)

    def action_next(self) -> None:
        """Do what is next."""
        if self.opened is not None and self.step is not None:
            steps.begin(self, self.opened, self.step)

    def action_decide(self) -> None:
        """Decide a point that a check left to a person."""
        if self.opened is not None:
            steps.decide(self, self.opened, self.under_cursor())

    def action_add_reads(self) -> None:
        """Give the job more reads."""
        if self.opened is not None:
            steps.add_reads(self, self.opened)

    def action_blank(self) -> None:
        """Take the old identity out."""
        if self.opened is not None:
            steps.blank(self, self.opened)

    def action_check(self) -> None:
        """Pick a read and check it."""
        if self.opened is not None:
            steps.check_read(self, self.opened, None)

    def action_bytes(self) -> None:
        """Look at the bytes of the job's images."""
        if self.opened is not None:
            at = self.under_cursor()
            steps.show_bytes(self, self.opened, None if at is None else at[1])

    def action_layout(self) -> None:
        """Draft or review a layout."""
        if self.opened is not None:
            at = self.under_cursor()
            steps.work_on_layout(self, self.opened, None if at is None else at[1])

    def action_note(self) -> None:
        """Put a sentence into the record."""
        steps.note(self)

    def action_photo(self) -> None:
        """Put a file into the record."""
        steps.attach(self)

    def action_report(self) -> None:
        """Make the customer file."""
        steps.report(self)

    def action_order(self) -> None:
        """The order and its record."""
        if self.opened is not None:
            steps.show_record(self, self.opened)

    def action_give_back(self) -> None:
        """Give a backup of this job back."""
        steps.give_back(self)

    def action_test(self) -> None:
        """What was tried on the vehicle."""
        steps.test_on_vehicle(self)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
