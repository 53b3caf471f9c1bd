"""The questions of `layout review` at a terminal: one guess a screen, one key an answer."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Mapping, Sequence
from typing import Any

import click

from memtool.cli.session import ask
from memtool.cli.shared import note
from memtool.core.span import Span
from memtool.errors import LayoutError
from memtool.formats.layout_toml.drafts import GuessText
from memtool.render.text.review_view import NamedImage, render_guess
from memtool.render.words import safe_text
from memtool.workflow.context import clock
from memtool.workflow.guess_values import (
    GUESS_CHOICES,
    GUESS_KEYS,
    fold_change,
    text_as_value,
    value_as_text,
)
from memtool.workflow.reviewing import Answer, Answered, Review, give_answers, list_faults

_STOP = "q"


class ReviewDialogue:
    """Asks about one open guess after the other, and keeps each answer at once."""

    def __init__(
        self, review: Review, images: list[NamedImage], by: str, *, hidden: Sequence[Span]
    ) -> None:
        """Show `images` with each guess, nothing of `hidden`; `by` is who answers."""
        self._review = review
        self._images = images
        self._by = by
        self._hidden = hidden
        self._trail: list[str] = []
        """Names answered in this sitting, for going back."""
        self._message: str | None = None
        """Said below the next screen: a cleared screen would take it away unread."""

    def run(self) -> Review:
        """Until nothing is open or the person stops."""
        asked: GuessText | None = None
        while asked is not None or self._review.open:
            guess = asked or self._review.open[0]
            asked = None
            self._show(guess)
            alike = self._review.alike(guess)
            key = ask(_question(len(alike))).lower()[:1]
            match key:
                case "y":
                    self._give(guess, Answered(answer=Answer.ACCEPT))
                case "n":
                    self._give(guess, Answered(answer=Answer.REJECT))
                case "c":
                    self._change(guess)
                    # Kept or not, the person sees where that left the guess.
                    asked = guess if guess in self._review.open else None
                case "a" if len(alike) > 1:
                    self._accept(alike)
                case "b" if self._trail:
                    name = self._trail.pop()
                    asked = next(each for each in self._review.guesses if each.name == name)
                case "q":
                    return self._review
                case "b":
                    self._message = "This is the first guess of this sitting."
                    asked = guess
                case _:
                    self._message = "Type one of the letters in brackets, then Enter."
                    asked = guess
        return self._review

    def _show(self, guess: GuessText) -> None:
        if sys.stdout.isatty() and os.environ.get("TERM", "dumb") != "dumb":
            click.clear()
        guesses = self._review.guesses
        lines = shutil.get_terminal_size((80, 24)).lines
        click.echo(
            render_guess(
                self._review.loaded.layout,
                guess.name,
                guess.comments,
                self._images,
                place=guesses.index(guess) + 1,
                total=len(guesses),
                height=lines - (1 if self._message else 0),
                hidden=self._hidden,
                alike=[each.name for each in self._review.alike(guess)],
            )
        )
        if self._message:
            note(self._message)
            self._message = None

    def _give(self, guess: GuessText, answered: Answered) -> None:
        self._review = give_answers(self._review, {guess.name: answered}, by=self._by, now=clock())
        self._trail.append(guess.name)

    def _accept(self, guesses: Sequence[GuessText]) -> None:
        """Yes to each of them."""
        for guess in guesses:
            self._give(guess, Answered(answer=Answer.ACCEPT))

    def _change(self, guess: GuessText) -> None:
        """Ask for each key; of a change that is refused, for what is wrong alone."""
        note(f"Press Enter to keep the value shown, '-' to clear it, '{_STOP}' to change nothing.")
        keys: Sequence[str] = GUESS_KEYS[guess.table]
        typed: dict[str, Any] = {}
        while True:
            for key in keys:
                old = value_as_text(typed[key] if key in typed else guess.values.get(key))
                answer = _ask_value(key, old or "-")
                if answer == _STOP:
                    self._message = "Nothing was changed."
                    return
                if answer != (old or "-"):
                    typed[key] = None if answer == "-" else text_as_value(key, answer)
            change = fold_change(guess, typed)
            if not change:
                self._message = "Nothing was changed."
                return
            try:
                self._give(guess, Answered(answer=Answer.CHANGE, change=change))
            except LayoutError as error:
                faults = list_faults(error)
                for text in faults:
                    note(safe_text(f"Not kept: {text}."))
                keys = _keys_at_fault(faults, GUESS_KEYS[guess.table], typed)
            else:
                return


def _question(alike: int) -> str:
    together = f"[a]ll {alike} alike  " if alike > 1 else ""
    return f"[y]es  [n]o  [c]hange  [b]ack  {together}[q]uit"


def _ask_value(key: str, old: str) -> str:
    """One value; where only some are possible they are listed, and another is asked for again."""
    possible = GUESS_CHOICES.get(key)
    if possible is None:
        return ask(key, default=old)
    note(f"{key}: {', '.join(possible)}")
    while True:
        answer = ask(key, default=old)
        if answer in (*possible, old, "-", _STOP):
            return answer
        note(safe_text(f"'{answer}' is not one of them."))


def _keys_at_fault(
    faults: Sequence[str], keys: Sequence[str], typed: Mapping[str, Any]
) -> list[str]:
    """What was typed and a fault names, by its key or its value; all that was typed where none."""
    told = " ".join(faults)
    named = [key for key in keys if key in typed and (key in told or str(typed[key]) in told)]
    return named or [key for key in keys if key in typed]
