"""The first screen: the jobs that this store knows, found while the person types."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, ClassVar

from rich.cells import cell_len
from rich.text import Text
from textual.binding import Binding
from textual.content import Content
from textual.widget import Widget
from textual.widgets import DataTable, Input, Static

from memtool.core.job.register import JobRow
from memtool.core.words import count_of
from memtool.desk import rooms
from memtool.desk.looks import as_plain
from memtool.desk.screen import DeskScreen
from memtool.desk.session import Session, near
from memtool.render.text.desk_words import FILTER, NO_JOB_YET
from memtool.render.text.jobs_table import HEADINGS, NEEDED, row_cells, row_line
from memtool.render.words import safe_text
from memtool.workflow.jobs_known import KnownJobs, list_known

_QUIET_SECONDS = 0.1
_AROUND_TABLE = 2
"""Columns of the screen beside the table."""
_GAP = 2
"""Between two columns of the table."""
_MOST = 250
"""Rows that are shown; who looks for another one types what is known of it."""


class HomeScreen(DeskScreen):
    """All jobs, newest first."""

    NAME = "Jobs"
    BINDINGS: ClassVar[list[Any]] = [
        Binding("enter", "open", "Open"),
        Binding("f2", "new_job", "New job"),
        Binding("f3", "look", "Look at a file"),
        Binding("f4", "restore", "Restore a backup"),
        Binding("f5", "demo", "Demo"),
        Binding("f6", "again", "New job on its reads"),
        Binding("f1", "help", "Help"),
        Binding("escape", "clear", "Clear", show=False),
        Binding("down", "move(1)", "Down", show=False),
        Binding("up", "move(-1)", "Up", show=False),
        Binding("pagedown", "move(10)", "Page down", show=False),
        Binding("pageup", "move(-10)", "Page up", show=False),
    ]

    def __init__(self, desk: Session) -> None:
        super().__init__(desk)
        self._known = KnownJobs()
        self._shown: list[JobRow] = []
        self._broken: dict[str, str] = {}
        self._counted = ""
        self._filled_for = 0
        self._columns = 0
        self._is_brief = False

    def body(self) -> Iterable[Widget]:
        """The line to type in, the table, what is wrong with some."""
        yield Input(placeholder=FILTER, id="filter")
        table: DataTable[Text] = DataTable(id="jobs", cursor_type="row", zebra_stripes=True)
        table.can_focus = False
        yield table
        yield Static(Content(""), id="under")

    def on_mount(self) -> None:
        """The line has the keys; rows come when the screen is shown."""
        self.query_one(Input).focus()
        self.set_timer(_QUIET_SECONDS, self._load_rooms)

    def _load_rooms(self) -> None:
        """The other screens, while the person looks at this one."""
        if not self.app.is_headless:
            self.run_worker(rooms.load_all, thread=True)

    def on_screen_resume(self) -> None:
        """Jobs may have changed while another screen was in front."""
        known = self.attempt(lambda: list_known(self.desk.stores.folder))
        self._known = known or KnownJobs()
        self._fill_again()
        if self._shown:
            self.set_timer(_QUIET_SECONDS, self._begin_to_look)

    def _begin_to_look(self) -> None:
        self.run_worker(self._look_for_broken, thread=True, exclusive=True, group="broken")

    def _look_for_broken(self) -> None:
        """Read the journals of those that are shown, beside the screen."""
        rows = list(self._shown[:50])
        found = rooms.jobs_broken.find_broken(rows)
        if found and self.is_attached:
            self.app.call_from_thread(self._name_broken, found)

    def _name_broken(self, found: dict[str, str]) -> None:
        self._broken |= found
        self._fill_again()

    def _fill_again(self) -> None:
        """The same jobs, with the cursor where it was."""
        if not self.is_attached:
            return
        table = self.query_one(DataTable)
        row = table.cursor_row
        self._fill()
        if self._shown:
            table.move_cursor(row=min(row, len(self._shown) - 1))

    def on_input_changed(self, event: Input.Changed) -> None:
        """Every letter narrows the list."""
        self._fill()

    def _fill(self) -> None:
        asked = self.query_one(Input).value
        rows = [row for row in self._known.rows if not asked.strip() or row.matches(asked)]
        self._shown = rows[:_MOST]
        table = self.query_one(DataTable)
        self._filled_for = self.app.size.width
        cells, widths = self._cells(in_a_word=False)
        self._is_brief = len(widths) < NEEDED
        if self._is_brief:
            cells, widths = self._cells(in_a_word=True)
        self._columns = len(widths)
        table.clear(columns=True)
        for heading, width in zip(as_plain(HEADINGS), widths, strict=False):
            table.add_column(heading, width=width)
        for each in cells[1:]:
            table.add_row(*as_plain(each[: len(widths)]))
        self._counted = self._count(rows, asked)
        self._tell_row()

    def _cells(self, *, in_a_word: bool) -> tuple[list[tuple[str, ...]], list[int]]:
        """Headings and rows, and the widths of the columns that can be shown whole."""
        wrong = self._wrong
        rows = (
            row_cells(each, wrong=wrong.get(each.id), in_a_word=in_a_word) for each in self._shown
        )
        cells = [HEADINGS, *rows]
        return cells, _fitting(cells, self._filled_for - _AROUND_TABLE)

    @property
    def _wrong(self) -> dict[str, str]:
        """Why some jobs cannot be opened, by id."""
        return {**self._known.moved, **self._broken}

    def on_resize(self) -> None:
        """More columns, or fewer."""
        # A screen is told its size more than once before the first picture.
        if self._shown and self.app.size.width != self._filled_for:
            self._fill_again()

    def on_data_table_row_highlighted(self, event: DataTable.RowHighlighted) -> None:
        """What the table has no room for is told below it."""
        self._tell_row()

    def _tell_row(self) -> None:
        at = self.query_one(DataTable).cursor_row
        row = self._shown[at] if at < len(self._shown) else None
        line = ""
        if row is not None:
            folder = safe_text(str(near(Path(row.folder))))
            wrong = self._wrong.get(row.id) if self._is_brief else None
            line = f"{row_line(row, columns=self._columns, wrong=wrong)} · {folder}\n"
        self.query_one("#under", Static).update(Content(f"{line}{self._counted}"))

    def _count(self, rows: Sequence[JobRow], asked: str) -> str:
        if not self._known.rows:
            return NO_JOB_YET
        said = f"{count_of(len(rows), 'job')}" + (" found" if asked.strip() else "")
        if len(rows) > _MOST:
            said += f", the newest {_MOST} are shown"
        if self._known.damaged:
            said += f". {count_of(self._known.damaged, 'row')} of the register cannot be read"
        return f"{said}. {safe_text(str(near(self.desk.stores.folder)))}"

    def action_move(self, rows: int) -> None:
        """The list's cursor, while the line has the keys."""
        table = self.query_one(DataTable)
        if self._shown:
            table.move_cursor(row=max(0, min(len(self._shown) - 1, table.cursor_row + rows)))

    def action_clear(self) -> None:
        """Empty the line."""
        self.query_one(Input).value = ""

    def on_input_submitted(self) -> None:
        """Enter opens the job under the cursor."""
        self.action_open()

    def on_data_table_row_selected(self, event: DataTable.RowSelected) -> None:
        """So does a click on the one under the cursor."""
        self.action_open()

    def action_open(self) -> None:
        """Open the job under the cursor, unless it is not where it was."""
        if not self._shown:
            return
        row = self._shown[self.query_one(DataTable).cursor_row]
        opened = self.attempt(lambda: self.desk.job(Path(row.folder)))
        if opened is not None:
            self.app.push_screen(rooms.job.JobScreen(self.desk, near(Path(row.folder))))

    def action_new_job(self) -> None:
        """Ask for a new one; or go on with an order that was left."""
        draft = self.desk.state.draft
        if not draft:
            self._ask_order(0)
            return
        question = rooms.questions.tell_unfinished(draft, len(self.desk.picked_before(None)))
        self.app.push_screen(
            rooms.dialogs.Choose(question, rooms.questions.GO_ON_OR_ANEW), self._ask_order
        )

    def _ask_order(self, number: int | None) -> None:
        if number is None:
            return
        if number == 1:
            self.desk.keep_draft({})
            self.desk.keep_picked((), (), None)
        self.app.push_screen(rooms.new_job.NewJobScreen(self.desk), self._open_made)

    def action_again(self) -> None:
        """A new job on the reads of the one under the cursor: a slip, or a module that is back."""
        if not self._shown:
            return
        folder = Path(self._shown[self.query_one(DataTable).cursor_row].folder)
        older = self.attempt(lambda: rooms.taking_over.open_older(folder, self.desk.store))
        if older is None:
            return

        def answered(reason: str | None) -> None:
            if reason is not None:
                screen = rooms.new_job.NewJobScreen(self.desk, older=older, reason=reason)
                self.app.push_screen(screen, self._open_made)

        words = rooms.questions
        self.app.push_screen(
            rooms.dialogs.Ask(words.WHY_AGAIN, fault=words.find_emptiness), answered
        )

    def _open_made(self, folder: Path | None) -> None:
        if folder is not None:
            self.app.push_screen(rooms.job.JobScreen(self.desk, near(folder)))

    def action_look(self) -> None:
        """Look at a file that belongs to no job."""
        self.app.push_screen(rooms.looking.LookScreen(self.desk))

    def action_restore(self) -> None:
        """Give a backup back."""
        self.app.push_screen(rooms.restore.RestoreScreen(self.desk))

    def action_demo(self) -> None:
        """Play the invented jobs."""
        rooms.playing.play_demo(self)

    def action_help(self) -> None:
        """The keys and the words."""
        self.app.push_screen(rooms.helping.HelpScreen(self.desk))

    def action_back(self) -> None:
        """There is nothing behind the first screen."""


def _fitting(rows: Sequence[Sequence[str]], room: int) -> list[int]:
    """The widths of the columns that can be shown whole."""
    widths = [max(map(cell_len, column)) for column in zip(*rows, strict=True)]
    while len(widths) > 1 and sum(widths) + _GAP * len(widths) > room:
        widths.pop()
    return widths
