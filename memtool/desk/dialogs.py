"""Small screens over a screen: a question, a choice."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from memtool.desk.keys import KeyBar
from memtool.render.words import safe_text


class Ask(ModalScreen[str | None]):
    """One question with a line to type in; None: the person went back."""

    BINDINGS: ClassVar[list[Any]] = [
        Binding("enter", "answer", "OK"),
        Binding("escape", "back", "Back"),
    ]

    def __init__(
        self,
        question: str,
        *,
        more: str = "",
        value: str = "",
        hide: bool = False,
        fault: Callable[[str], str | None] | None = None,
    ) -> None:
        """Make the question.

        Args:
            question: In words.
            more: What to know before it is answered.
            value: What stands in the line at first.
            hide: Whether what is typed is hidden.
            fault: Why an answer is none, in words; None: it is one.
        """
        super().__init__()
        self._question = question
        self._more = more
        self._value = value
        self._hide = hide
        self._fault = fault

    def compose(self) -> ComposeResult:
        """Question, line, what is wrong with it, keys."""
        with Vertical(classes="dialog"):
            yield Static(Content(safe_text(self._question)), classes="question")
            if self._more:
                yield Static(Content(safe_text(self._more)), classes="more")
            yield Input(self._value, password=self._hide)
            yield Static(Content(""), classes="fault")
            yield KeyBar()

    def on_mount(self) -> None:
        """Tell the keys."""
        self.query_one(KeyBar).show(self)
        self.query_one(Input).focus()

    def on_input_submitted(self) -> None:
        """Enter was pressed in the line."""
        self.action_answer()

    def action_answer(self) -> None:
        """Take what was typed, unless something is wrong with it."""
        text = self.query_one(Input).value.strip()
        fault = None if self._fault is None else self._fault(text)
        if fault is None:
            self.dismiss(text)
        else:
            self.query_one(".fault", Static).update(Content(safe_text(fault)))

    def action_back(self) -> None:
        """Give no answer."""
        self.dismiss(None)


class Choose(ModalScreen[int | None]):
    """One of several; the number of it, or None: the person went back."""

    BINDINGS: ClassVar[list[Any]] = [
        Binding("enter", "take", "Take"),
        Binding("escape", "back", "Back"),
    ]

    def __init__(self, question: str, choices: Sequence[str]) -> None:
        super().__init__()
        self._question = question
        self._choices = choices

    def compose(self) -> ComposeResult:
        """Question, choices, keys."""
        with Vertical(classes="dialog"):
            yield Static(Content(safe_text(self._question)), classes="question")
            yield OptionList(*(Option(Content(safe_text(each))) for each in self._choices))
            yield KeyBar()

    def on_mount(self) -> None:
        """Tell the keys."""
        self.query_one(KeyBar).show(self)
        self.query_one(OptionList).focus()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Enter or a click on one."""
        self.dismiss(event.option_index)

    def action_take(self) -> None:
        """Take the one under the cursor."""
        self.dismiss(self.query_one(OptionList).highlighted)

    def action_back(self) -> None:
        """Take none."""
        self.dismiss(None)
