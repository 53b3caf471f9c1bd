"""The line of keys below each screen: what can be done here, by key or by a click."""

from __future__ import annotations

from typing import Any

from textual.binding import Binding
from textual.content import Content
from textual.geometry import Size
from textual.screen import Screen
from textual.widgets import Static

_NAMES = {"escape": "Esc", "slash": "/", "question_mark": "?", "plus": "+", "minus": "-"}
_GAP = "  "


class KeyBar(Static):
    """The keys of a screen. A click on one is as good as the key."""

    def __init__(self, **more: Any) -> None:
        super().__init__(**more)
        self._keys: list[tuple[str, str, str]] = []

    def show(self, screen: Screen[Any]) -> None:
        """Tell the keys of this screen, its own before those of all screens."""
        self._keys = []
        for binding in bindings_of(screen):
            action = binding.action if "." in binding.action else f"screen.{binding.action}"
            if binding in type(screen.app).BINDINGS:
                action = f"app.{binding.action}"
            self._keys.append((_name_of(binding), binding.description, action))
        self.refresh(layout=True)

    def get_content_height(self, container: Size, viewport: Size, width: int) -> int:
        """As many lines as the keys need in so many columns."""
        return len(self._lines(width))

    def render(self) -> Content:
        """The lines; a key and its words stay together."""
        lines = self._lines(self.content_size.width)
        return Content.from_markup("\n".join(_GAP.join(line) for line in lines))

    def _lines(self, room: int) -> list[list[str]]:
        lines: list[list[str]] = [[]]
        used = 0
        for key, words, action in self._keys:
            width = len(key) + len(words) + 3
            if lines[-1] and used + len(_GAP) + width > room:
                lines.append([])
                used = 0
            used += width + (len(_GAP) if lines[-1] else 0)
            lines[-1].append(f"[@click={action}][reverse] {key} [/] {words}[/]")
        return lines


def bindings_of(screen: Screen[Any]) -> list[Binding]:
    """The keys that are told, each once; what `check_action` forbids is left out."""
    found: dict[str, Binding] = {}
    for base in (*type(screen).__mro__, type(screen.app)):
        if not base.__module__.startswith("memtool."):
            continue
        for each in base.__dict__.get("BINDINGS", ()):
            if isinstance(each, Binding):
                found.setdefault(each.key, each)
    told = (each for each in found.values() if each.show)
    return [each for each in told if screen.check_action(each.action, ()) is not False]


def _name_of(binding: Binding) -> str:
    if binding.key_display:
        return binding.key_display
    key = binding.key
    if key.startswith("ctrl+"):
        return f"Ctrl-{key[5:].upper()}"
    if key in _NAMES:
        return _NAMES[key]
    return key.upper() if len(key) < 3 else key.capitalize()
