"""Lines to read, over a screen."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Vertical, VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Static

from memtool.desk.keys import KeyBar


class ReadList(ModalScreen[None]):
    """Lines under a title, to scroll through."""

    BINDINGS: ClassVar[list[Any]] = [
        Binding("enter", "close", "Close"),
        Binding("escape", "close", "Close", show=False),
    ]

    def __init__(self, title: str, lines: Sequence[str]) -> None:
        """Show `lines`, which are safe to show."""
        super().__init__()
        self._heading, self._lines = title, lines

    def compose(self) -> ComposeResult:
        """Title, lines, key."""
        with Vertical(classes="dialog"):
            yield Static(Content(self._heading), classes="question")
            with VerticalScroll(classes="words"):
                yield Static(Content("\n".join(self._lines)))
            yield KeyBar()

    def on_mount(self) -> None:
        """Tell the key; the arrows scroll."""
        self.query_one(KeyBar).show(self)
        self.query_one(VerticalScroll).focus()

    def action_close(self) -> None:
        """They were read."""
        self.dismiss(None)
