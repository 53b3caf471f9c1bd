"""Changing a guess: every value in a line of its own, a wrong one is told and nothing kept."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.suggester import SuggestFromList
from textual.widgets import Input, Label, Static

from memtool.desk.keys import KeyBar
from memtool.formats.layout_toml.drafts import GuessText
from memtool.render.text.desk_words import EMPTY_LINE
from memtool.render.words import safe_text
from memtool.workflow.guess_values import (
    GUESS_CHOICES,
    GUESS_KEYS,
    fold_change,
    text_as_value,
    value_as_text,
)

Keep = Callable[[Mapping[str, Any]], str | None]
"""Keeps a change; why it is not kept, or None."""


class ChangeGuess(ModalScreen[bool]):
    """The values of one guess; true: a change was kept."""

    BINDINGS: ClassVar[list[Any]] = [
        Binding("enter", "keep", "Keep the change"),
        Binding("tab", "app.focus_next", "Next value"),
        Binding("escape", "back", "Back"),
    ]

    def __init__(self, guess: GuessText, keep: Keep) -> None:
        """Show the values of `guess`; `keep` takes what was changed."""
        super().__init__()
        self._guess = guess
        self._keep = keep

    def compose(self) -> ComposeResult:
        """A line a value."""
        with Vertical(classes="dialog values"):
            yield Static(Content(safe_text(f"Change '{self._guess.name}'")), classes="question")
            yield Static(Content(EMPTY_LINE), classes="more")
            for key in GUESS_KEYS[self._guess.table]:
                with Horizontal():
                    yield Label(Content(key))
                    choices = GUESS_CHOICES.get(key, ())
                    suggester = SuggestFromList(choices) if choices else None
                    yield Input(self._shown(key), id=key, suggester=suggester)
            yield Static(Content(""), classes="fault")
            yield KeyBar()

    def _shown(self, key: str) -> str:
        """A value as it can be shown; a line that stays so keeps the value that it stands for."""
        return safe_text(value_as_text(self._guess.values.get(key)))

    def on_mount(self) -> None:
        """Begin with the first value."""
        self.query_one(KeyBar).show(self)
        self.query(Input).first().focus()

    def on_descendant_focus(self, event: events.DescendantFocus) -> None:
        """Where only some values may stand, they are listed."""
        choices = GUESS_CHOICES.get(str(event.widget.id), ())
        words = f"One of: {', '.join(choices)}." if choices else EMPTY_LINE
        self.query_one(".more", Static).update(Content(words))

    def on_input_submitted(self) -> None:
        """Enter in any line keeps all of them."""
        self.action_keep()

    def action_keep(self) -> None:
        """Keep what differs from before."""
        change: dict[str, Any] = {}
        for field in self.query(Input):
            key, text = str(field.id), field.value.strip()
            if text != self._shown(key).strip():
                change[key] = text_as_value(key, text) if text else None
        change = fold_change(self._guess, change)
        if not change:
            self.dismiss(False)
            return
        fault = self._keep(change)
        if fault is None:
            self.dismiss(True)
        else:
            self.query_one(".fault", Static).update(Content(safe_text(fault)))

    def action_back(self) -> None:
        """Keep nothing."""
        self.dismiss(False)
