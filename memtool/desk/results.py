"""What an action came to: its verdict first, then all of it, and the command for the same."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, ClassVar

from textual import events
from textual.binding import Binding
from textual.containers import VerticalScroll
from textual.content import Content
from textual.widget import Widget
from textual.widgets import Static

from memtool.desk.looks import as_text
from memtool.desk.screen import DeskScreen
from memtool.desk.session import Session
from memtool.render.words import safe_text


class ResultScreen(DeskScreen):
    """A view of the terminal, to be read and scrolled."""

    BINDINGS: ClassVar[list[Any]] = [Binding("enter", "back", "Go on")]

    def __init__(
        self,
        desk: Session,
        name: str,
        view: Callable[[], str],
        *,
        verdict: str | None = None,
        command: str | None = None,
        job: Path | None = None,
    ) -> None:
        """Make it.

        Args:
            desk: Of this sitting.
            name: What stands in the title.
            view: Gives the text, for as many columns as `terminal_width` says.
            verdict: What counts, in one line; shown first and always.
            command: The command that does the same.
            job: Folder of the job.
        """
        super().__init__(desk, job)
        self._heading = name
        self._view = view
        self._verdict = verdict
        self._command = command

    def body(self) -> Iterable[Widget]:
        """Verdict, view, command."""
        if self._verdict is not None:
            yield Static(Content(safe_text(self._verdict)), id="verdict")
        with VerticalScroll(id="words"):
            yield Static(id="view")
        if self._command is not None:
            yield Static(Content(f"$ {safe_text(self._command)}"), id="ran")

    def heading(self) -> str:
        """As it was given."""
        return self._heading

    def on_mount(self) -> None:
        """The keys scroll the view."""
        self.query_one("#words").focus()

    def on_resize(self, event: events.Resize) -> None:
        """The view is made anew for another width."""
        self.query_one("#view", Static).update(as_text(self._view, event.size.width - 5))
