"""Report: the customer's or the shop's copy, what is missing, made and opened."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any, ClassVar

from textual import events
from textual.binding import Binding
from textual.containers import VerticalScroll
from textual.content import Content
from textual.widget import Widget
from textual.widgets import Static

from memtool.core.report.report import Report
from memtool.desk.amend import AmendScreen
from memtool.desk.looks import as_text
from memtool.desk.opening import has_viewer, open_with_viewer
from memtool.desk.results import ResultScreen
from memtool.desk.screen import DeskScreen
from memtool.desk.session import Session
from memtool.render.page.html import Paper
from memtool.render.questions import PAGE_ONE_QUESTIONS
from memtool.render.text.report_view import (
    CUSTOMERS_COPY,
    NO_VIEWER,
    OPENS_WITH,
    SHOPS_COPY,
    notes_on,
    render_open,
    render_written,
    tell_paper,
)
from memtool.workflow.context import clock
from memtool.workflow.report import WrittenReport, gather_report, write_report


class ReportScreen(DeskScreen):
    """What the report would leave open; a key makes it."""

    NAME = "Report"
    BINDINGS: ClassVar[list[Any]] = [
        Binding("enter", "customer", "Customer's copy"),
        Binding("s", "shop", "Shop's copy"),
        Binding("l", "labels", "Labels and old module"),
        Binding("p", "paper", "Paper"),
    ]

    def __init__(self, desk: Session, job: Path) -> None:
        super().__init__(desk, job)
        self.job_folder = job
        self._report: Report | None = None
        self._paper = Paper.A4

    def body(self) -> Iterable[Widget]:
        """The verdict as the report words it, then what is open."""
        yield Static(Content(""), id="verdict")
        with VerticalScroll(id="words"):
            yield Static(id="view")
        yield Static(Content(""), id="under")

    def on_mount(self) -> None:
        """Gather it; nothing is written by that."""
        self.query_one("#words").focus()
        self._tell_copies()
        self._gather()

    def _tell_copies(self) -> None:
        said = f"Enter: {CUSTOMERS_COPY}. S: {SHOPS_COPY}. {tell_paper(self._paper)}"
        self.query_one("#under", Static).update(Content(said))

    def _gather(self) -> None:
        self.work(
            "gathering the report",
            lambda _: gather_report(
                self.desk.job(self.job_folder), self.desk.store, is_shop_copy=False
            ),
            self._show,
        )

    def _show(self, report: Report) -> None:
        self._report = report
        self.query_one("#verdict", Static).update(Content(report.result))
        self._show_words()

    def on_resize(self, event: events.Resize) -> None:
        """The words are made for the room there is."""
        self._show_words()

    def _show_words(self) -> None:
        report = self._report
        if report is not None:
            text = as_text(lambda: render_open(report), self.size.width - 5)
            self.query_one("#view", Static).update(text)

    def action_customer(self) -> None:
        """Make the copy for the customer."""
        self._make(shop=False)

    def action_shop(self) -> None:
        """Make the copy for the shop."""
        self._make(shop=True)

    def action_paper(self) -> None:
        """The next size of paper."""
        sizes = list(Paper)
        self._paper = sizes[(sizes.index(self._paper) + 1) % len(sizes)]
        self._tell_copies()

    def action_labels(self) -> None:
        """What stands on the labels, and where the old module is, for page one."""
        names = [name for name, _ in PAGE_ONE_QUESTIONS]
        screen = AmendScreen(self.desk, self.job_folder, names, must=False)
        self.app.push_screen(screen, lambda _: self._gather())

    def _make(self, *, shop: bool) -> None:
        self.work(
            "writing the customer file",
            lambda _: write_report(
                self.desk.job(self.job_folder),
                self.desk.store,
                is_shop_copy=shop,
                paper=self._paper,
                with_pdf=True,
                now=clock(),
            ),
            lambda written: self._made(written, shop=shop),
        )

    def _made(self, written: WrittenReport, *, shop: bool) -> None:
        words = ["report", *(["--shop"] if shop else [])]
        words += [] if self._paper is Paper.A4 else ["--paper", self._paper.value]
        command = self.desk.tell(*words, job=self.job_folder)
        made = OpenableScreen if has_viewer() else MadeScreen
        self.app.switch_screen(made(self.desk, self.job_folder, written, command))


class MadeScreen(ResultScreen):
    """Where the report lies, on a machine that can only say so."""

    note: ClassVar[str] = NO_VIEWER

    def __init__(self, desk: Session, job: Path, written: WrittenReport, command: str) -> None:
        super().__init__(
            desk,
            "Report",
            lambda: "\n".join(
                (render_written(written), *notes_on(written, no_pdf=False), "", self.note)
            ),
            verdict=written.report.result,
            command=command,
            job=job,
        )
        self.written = written


class OpenableScreen(MadeScreen):
    """Where the report lies; Enter or a click opens it."""

    note: ClassVar[str] = OPENS_WITH
    BINDINGS: ClassVar[list[Any]] = [
        Binding("enter", "view", "Open it"),
        Binding("v", "view", "Open it", show=False),
        Binding("escape", "back", "Go on"),
    ]

    def action_view(self) -> None:
        """Open the page, or the PDF where there is one, with the system's viewer."""
        path = self.written.pdf or self.written.page
        self.attempt(lambda: open_with_viewer(path))
