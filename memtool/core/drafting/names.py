"""Each guess gets a name that no other has."""

from __future__ import annotations

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
