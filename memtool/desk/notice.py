"""A small screen over a screen: a sentence to be read. What every screen may need at once."""

from __future__ import annotations

from typing import Any, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Vertical, VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Static

from memtool.desk.keys import KeyBar
from memtool.render.words import safe_text


class Notice(ModalScreen[None]):
    """A sentence that has to be read."""

    BINDINGS: ClassVar[list[Any]] = [
        Binding("enter", "close", "Close"),
        Binding("escape", "close", "Close", show=False),
    ]

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = safe_text(text)

    def compose(self) -> ComposeResult:
        """The sentence and its key."""
        with Vertical(classes="dialog"):
            with VerticalScroll(classes="words", can_focus=False):
                yield Static(Content(self.text))
            yield KeyBar()

    def on_mount(self) -> None:
        """Tell the key."""
        self.query_one(KeyBar).show(self)

    def action_close(self) -> None:
        """It was read."""
        self.dismiss(None)
