"""How the desk looks: its two themes, and text of the views as Textual takes it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from rich.text import Text
from textual.theme import Theme

from memtool.render.room import room_of

LIGHT = Theme(
    name="paper",
    primary="#1d4e6b",
    secondary="#5b6770",
    accent="#8a4b08",
    warning="#8a5a00",
    error="#a3231f",
    success="#1f6b3a",
    foreground="#1b1f22",
    background="#f4f2ec",
    surface="#ebe8df",
    panel="#dedacd",
    dark=False,
)
DARK = Theme(
    name="bench",
    primary="#8fbcd4",
    secondary="#9aa5ad",
    accent="#e0a458",
    warning="#e0b050",
    error="#e58a83",
    success="#8fc79a",
    foreground="#e6e4de",
    background="#16191b",
    surface="#1e2225",
    panel="#2a3034",
    dark=True,
)
THEMES = (DARK, LIGHT)


_STYLES = {
    "done": "green",
    "failed": "bold red",
    "you decide": "bold yellow",
    "open points": "yellow",
    "out of date": "yellow",
    "not yet": "dim",
    "not needed": "dim",
}
"""Beside the words, never instead of them."""


def as_cell(words: str) -> Text:
    """A word of a table."""
    return Text(words, style="bold red" if "DIFFER" in words else _STYLES.get(words, ""))


def as_plain(words: Iterable[str]) -> Iterator[Text]:
    """Cells or headings as they are: of a string Textual would read brackets as its own marks."""
    return map(Text, words)


def as_text(view: Callable[[], str], columns: int) -> Text:
    """A view of the terminal, made for so many columns."""
    with room_of(columns):
        return Text.from_ansi(view())
