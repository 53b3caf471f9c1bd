"""Sentences and names that several kinds of guesses share."""

from __future__ import annotations

from collections.abc import Iterable

from memtool.core.span import format_address


class Names:
    """Gives each guess a name that no other has."""

    def __init__(self) -> None:
        """No name is taken."""
        self._taken: set[str] = set()

    def of(self, wanted: str, address: int | None = None) -> str:
        """`wanted`, with the address or a number behind it where that is taken.

        Args:
            wanted: Plain words.
            address: Given, it is always part of the name.
        """
        name = wanted if address is None else f"{wanted} at {format_address(address)}"
        number = 2
        candidate = name
        while candidate in self._taken:
            candidate = f"{name}, {number}"
            number += 1
        self._taken.add(candidate)
        return candidate


def listed(names: Iterable[str]) -> str:
    """``A``, ``A and B``, ``A, B and C``; the first four where there are more."""
    items = list(names)
    if len(items) > 4:
        items = [*items[:4], f"{len(items) - 4} more"]
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"


def modules_word(number: int) -> str:
    """``the one module``, ``all 3 modules``, ``both modules``."""
    return {1: "the one module", 2: "both modules"}.get(number, f"all {number} modules")


__all__ = ["Names", "listed", "modules_word"]
