"""The desk itself: opens the first screen, and ends with one sentence where it breaks."""

from __future__ import annotations

import asyncio
import signal
from contextlib import suppress
from pathlib import Path
from typing import Any, ClassVar

from textual.app import App
from textual.binding import Binding
from textual.screen import Screen
from textual.theme import Theme

from memtool.desk import rooms
from memtool.desk.home import HomeScreen
from memtool.desk.looks import THEMES
from memtool.desk.session import Session

INTERRUPTED = 130


class DeskApp(App[int]):
    """The same job full screen."""

    TITLE = "benchimage"
    CSS_PATH = "desk.tcss"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[Any]] = [
        Binding("ctrl+t", "turn", "Light or dark", show=False, priority=True),
        Binding("ctrl+q", "quit", "Quit", priority=True),
        Binding("ctrl+c", "interrupt", "Quit", show=False, priority=True),
    ]

    def __init__(self, desk: Session, job: Path | None = None) -> None:
        """The desk; with `job` it begins with that job, otherwise with all of them."""
        super().__init__()
        self.desk = desk
        self.first_job = job
        self.bug: Exception | None = None
        """What broke the desk."""
        for theme in THEMES:
            self.register_theme(theme)
        known = {theme.name: theme for theme in THEMES}
        self._begin_with(known.get(desk.state.theme or "", THEMES[0]))

    def _begin_with(self, theme: Theme) -> None:
        """Take a theme before anything is drawn.

        To assign it would read the stylesheet twice, and lay the first picture out twice.
        """
        self.set_reactive(App.theme, theme.name)
        self.set_class(theme.dark, "-dark-mode", update=False)
        self.set_class(not theme.dark, "-light-mode", update=False)
        self._refresh_truecolor_filter(self.ansi_theme)
        self.stylesheet.set_variables(self.get_css_variables())

    def get_default_screen(self) -> Screen[Any]:
        """The jobs, with no empty screen before them."""
        return HomeScreen(self.desk)

    def on_mount(self) -> None:
        """Show the job that was named, in front of all."""
        if not self.is_headless:
            # Without this asyncio ends the loop itself, and nobody learns that it was a person.
            with suppress(NotImplementedError, RuntimeError, ValueError):
                loop = asyncio.get_running_loop()
                loop.add_signal_handler(signal.SIGINT, self.action_interrupt)
        if self.first_job is not None:
            self.push_screen(rooms.job.JobScreen(self.desk, self.first_job))

    def action_turn(self) -> None:
        """Light becomes dark, and dark light; remembered for the next time."""
        names = [theme.name for theme in THEMES]
        self.theme = names[1 - names.index(self.theme)]
        fault = self.desk.remember(theme=self.theme)
        if fault is not None:
            self.notify(fault)

    def action_interrupt(self) -> None:
        """Ctrl-C ends the desk as it ends a command."""
        self.exit(return_code=INTERRUPTED)

    def _handle_exception(self, error: Exception) -> None:
        self.bug = self.bug or error
        super()._handle_exception(error)

    def _fatal_error(self) -> None:
        """Give the terminal back; the sentence about it is the command line's."""
        self._close_messages_no_wait()


def run_desk(desk: Session, job: Path | None = None) -> int:
    """Run until the person quits; the exit status.

    Raises:
        Exception: what broke the desk, after the terminal is as it was before.
    """
    app = DeskApp(desk, job)
    app.run()
    if app.bug is not None:
        raise app.bug
    return app.return_code or 0
