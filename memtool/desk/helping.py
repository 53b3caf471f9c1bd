"""Help: the keys of the desk, and where more is to be read."""

from __future__ import annotations

from collections.abc import Iterable

from textual.containers import VerticalScroll
from textual.content import Content
from textual.widget import Widget
from textual.widgets import Static

from memtool.desk.screen import DeskScreen
from memtool.render.cautions import BEFORE_THE_JOB, DEFERENCE

_KEYS = (
    "The keys of each screen stand below it; a click on one does the same.",
    "Arrows, Page up and Page down move; Tab goes to the next part; Esc goes back.",
    "Ctrl-T turns light and dark. Ctrl-Q quits; so does Ctrl-C, at any moment.",
    "Every step is a command as well: the line with $ says which.",
)


class HelpScreen(DeskScreen):
    """Keys and cautions."""

    NAME = "Help"

    def body(self) -> Iterable[Widget]:
        """Both as lists."""
        with VerticalScroll(id="words"):
            for text in ("", *_KEYS, "", *BEFORE_THE_JOB, DEFERENCE):
                yield Static(Content(text and f"· {text}"))
