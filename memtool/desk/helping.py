"""Help: the keys of the desk, and where more is to be read."""

from __future__ import annotations

from collections.abc import Iterable

from textual.containers import VerticalScroll
from textual.content import Content
from textual.widget import Widget
from textual.widgets import Static

from memtool.desk.screen import DeskScreen
from memtool.render.cautions import BEFORE_THE_JOB, DEFERENCE
from memtool.render.text.desk_words import KEYS


class HelpScreen(DeskScreen):
    """Keys and cautions."""

    NAME = "Help"

    def body(self) -> Iterable[Widget]:
        """Both as lists."""
        with VerticalScroll(id="words"):
            for text in ("", *KEYS, "", *BEFORE_THE_JOB, DEFERENCE):
                yield Static(Content(text and f"· {text}"))
