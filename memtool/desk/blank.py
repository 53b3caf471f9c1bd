"""Blank: the plan in words and bytes, every rule, the proof, the confirmation typed."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any, ClassVar

from rich.text import Text
from textual import events
from textual.binding import Binding
from textual.containers import VerticalScroll
from textual.content import Content
from textual.widget import Widget
from textual.widgets import DataTable, Static

from memtool.core.job.proof import WrittenBlank
from memtool.core.read_options import ImageFormat
from memtool.core.role import Role
from memtool.core.span import Span, format_span, format_span_with_length, parse_span
from memtool.core.words import count_of
from memtool.desk.dialogs import Ask, Choose
from memtool.desk.looks import as_plain, as_text
from memtool.desk.results import ResultScreen
from memtool.desk.screen import DeskScreen
from memtool.desk.session import Session
from memtool.render.questions import AREA, find_emptiness, find_span_fault
from memtool.render.text import blank_view
from memtool.render.text.desk_words import (
    AS_THE_DONOR,
    WHICH_FORMAT,
    WHICH_VIN_GOES,
    ask_why_kept,
)
from memtool.render.words import safe_text
from memtool.workflow.blank import PreparedAll, prepare_blank
from memtool.workflow.blank_wish import BlankWish, make_requests
from memtool.workflow.blank_writing import write_blank
from memtool.workflow.context import clock

_IMAGE = Role.DONOR.value


class BlankScreen(DeskScreen):
    """What goes, what stays, what every rule says; Enter asks for the confirmation."""

    NAME = "Remove the old identity"
    BINDINGS: ClassVar[list[Any]] = [
        Binding("enter", "confirm", "Confirm and write", priority=True),
        Binding("k", "keep", "Keep or not"),
        Binding("f", "configuration", "Configuration too"),
        Binding("s", "more", "One more area"),
        Binding("v", "vin", "One VIN alone"),
        Binding("t", "format", "Format of the file"),
    ]

    def __init__(self, desk: Session, job: Path, layout: str | None = None) -> None:
        super().__init__(desk, job)
        self.job_folder = job
        self._layout = None if layout is None else _found(job, layout)
        self._kept: dict[tuple[str | None, Span], str] = {}
        self._is_all = False
        self._vins: tuple[str, ...] = ()
        self._more: tuple[tuple[str | None, Span], ...] = ()
        self._format: str | None = None
        self._prepared: PreparedAll | None = None

    def body(self) -> Iterable[Widget]:
        """Runs to change as a table, then all of it in words."""
        yield Static(Content(""), id="verdict")
        table: DataTable[Text] = DataTable(id="runs", cursor_type="row")
        yield table
        with VerticalScroll(id="words"):
            yield Static(id="view")

    def on_mount(self) -> None:
        """Plan at once; nothing is written by that."""
        table = self.query_one(DataTable)
        for heading in ("", "Memory", "Addresses", "Why"):
            table.add_column(heading)
        table.focus()
        self._plan()

    def wish(self) -> BlankWish:
        """What the person asked for up to now."""
        return BlankWish(
            layout=None if self._vins else self._layout,
            vin=self._vins,
            configuration=self._is_all,
            more=self._more,
            to=self._format,
            keep=tuple(self._kept),
            reason=tuple(self._kept.values()),
        )

    def _plan(self) -> None:
        wish = self.wish()

        def prepare() -> PreparedAll:
            context = self.desk.context(self.job_folder)
            requests = make_requests(context, _IMAGE, wish)
            return prepare_blank(requests, self.desk.store, now=clock())

        self.work("planning", lambda _: prepare(), self._show)

    def _show(self, prepared: PreparedAll) -> None:
        self._prepared = prepared
        runs = self._runs(prepared)
        said = blank_view.tell_rules(prepared.results)
        self.query_one("#verdict", Static).update(Content(safe_text(said)))
        table = self.query_one(DataTable)
        row = table.cursor_row
        table.clear()
        for memory, span, why in runs:
            kept = "kept" if self._is_kept(memory, span) else "goes"
            cells = (kept, safe_text(memory or ""), format_span_with_length(span), safe_text(why))
            table.add_row(*as_plain(cells))
        if runs:
            table.move_cursor(row=min(row, len(runs) - 1))
        self._show_words()

    def _runs(self, prepared: PreparedAll) -> list[tuple[str | None, Span, str]]:
        found: list[tuple[str | None, Span, str]] = []
        for one in prepared.results:
            plan = one.question.plan
            if plan is not None:
                found += [(one.memory, edit.span, edit.reason) for edit in plan.edits]
                found += [(one.memory, kept.span, kept.reason) for kept in plan.kept]
        return sorted(found, key=lambda each: (each[0] or "", each[1].start))

    def _is_kept(self, memory: str | None, span: Span) -> bool:
        return any(name in (None, memory) and kept == span for name, kept in self._kept)

    def on_resize(self, event: events.Resize) -> None:
        """The words are made for the room there is."""
        self._show_words()

    def _show_words(self) -> None:
        prepared = self._prepared
        if prepared is not None:
            text = as_text(
                lambda: blank_view.render_plan(prepared.results, prepared.passed_over),
                self.size.width - 5,
            )
            self.query_one("#view", Static).update(text)

    def action_keep(self) -> None:
        """Keep the run under the cursor, for a reason; or let it go again."""
        runs = [] if self._prepared is None else self._runs(self._prepared)
        if not runs:
            return
        memory, span, why = runs[self.query_one(DataTable).cursor_row]
        place = (memory, span)
        if self._kept.pop(place, None) is not None:
            self._plan()
            return

        def answered(reason: str | None) -> None:
            if reason is not None:
                self._kept[place] = reason
                self._plan()

        self.app.push_screen(
            Ask(
                ask_why_kept(format_span(span)),
                more=why,
                fault=find_emptiness,
            ),
            answered,
        )

    def action_more(self) -> None:
        """Let one more area of a memory go; or not, where the cursor is on it."""
        prepared = self._prepared
        if prepared is None:
            return
        runs = self._runs(prepared)
        at = self.query_one(DataTable).cursor_row
        memory, here = (runs[at][0], runs[at][1]) if at < len(runs) else (None, None)
        place = memory if len(prepared.parts) + len(prepared.passed_over) > 1 else None
        others = tuple(
            (name, span)
            for name, span in self._more
            if name != place or here is None or not span.overlaps(here)
        )
        if others != self._more:
            self._more = others
            self._plan()
            return

        def answered(text: str | None) -> None:
            if text is not None:
                self._plan_with((*self._more, (place, parse_span(text))))

        self.app.push_screen(Ask(AREA, more=memory or "", fault=find_span_fault), answered)

    def _plan_with(self, more: tuple[tuple[str | None, Span], ...]) -> None:
        """Plan with these areas; where that cannot be, the wish stays as it was."""
        before, self._more = self._more, more
        context = self.desk.context(self.job_folder)
        if self.attempt(lambda: make_requests(context, _IMAGE, self.wish())) is None:
            self._more = before
        else:
            self._plan()

    def action_format(self) -> None:
        """In which format the file is written; at first in that of the donor's read."""
        formats = [None, *(each.value for each in ImageFormat)]

        def chosen(number: int | None) -> None:
            if number is not None:
                self._format = formats[number]
                self._plan()

        self.app.push_screen(
            Choose(WHICH_FORMAT, [each or AS_THE_DONOR for each in formats]), chosen
        )

    def action_configuration(self) -> None:
        """Take the configuration out too, or not."""
        self._is_all = not self._is_all
        self._plan()

    def action_vin(self) -> None:
        """Without a layout: the copies of one VIN alone; or the layout again."""
        if self._vins:
            self._vins = ()
            self._plan()
            return
        opened = self.attempt(lambda: self.desk.job(self.job_folder))
        if opened is None:
            return
        backups = opened.job.backups_of(Role.DONOR)
        vins = sorted({vin for backup in backups for vin in backup.vins})

        def chosen(number: int | None) -> None:
            if number is not None:
                self._vins = (vins[number],)
                self._plan()

        if vins:
            self.app.push_screen(Choose(WHICH_VIN_GOES, vins), chosen)

    def action_confirm(self) -> None:
        """Ask for the confirmation; where a rule says no, show which."""
        prepared = self._prepared
        if prepared is None:
            return
        if any(one.is_refused for one in prepared.results):
            self._write(prepared, "")
            return
        question, hide = blank_view.confirmation_question(prepared.results)

        def answered(text: str | None) -> None:
            if text is not None:
                self._write(prepared, text)

        self.app.push_screen(Ask(question, hide=hide), answered)

    def _write(self, prepared: PreparedAll, confirmation: str) -> None:
        self.work(
            "writing the file to program",
            lambda _: write_blank(prepared, self.desk.store, lambda _: confirmation, now=clock()),
            lambda blanked: self._written(prepared, blanked.files),
        )

    def _written(self, prepared: PreparedAll, written: tuple[WrittenBlank, ...]) -> None:
        words = ["blank", _IMAGE]
        wish = self.wish()
        words += [] if wish.layout is None else ["--layout", str(wish.layout)]
        for vin in wish.vin:
            words += ["--vin", vin]
        words += ["--configuration"] if wish.configuration else []
        words += ["--to", wish.to] if wish.to else []
        several = len(prepared.parts) + len(prepared.passed_over) > 1
        for memory, span in wish.more:
            place = format_span(span)
            words += ["--span", place if memory is None else f"{memory}={place}"]
        for (memory, span), reason in self._kept.items():
            place = f"{memory}={format_span(span)}" if several and memory else format_span(span)
            words += ["--keep", place, "--reason", reason]
        command = self.desk.tell(*words, job=self.job_folder)
        total = count_of(len(written), "file")
        self.app.switch_screen(
            ResultScreen(
                self.desk,
                "File to program",
                lambda: blank_view.render_blanked(written, prepared.passed_over),
                verdict=f"{total} written: {', '.join(one.out for one in written)}",
                command=command,
                job=self.job_folder,
            )
        )


def _found(job: Path, layout: str) -> Path:
    """A layout file that the journal names: relative to the job, or as it was typed."""
    places = (job / layout, Path(layout), job / Path(layout).name)
    return next((path for path in places if path.is_file()), Path(layout))
