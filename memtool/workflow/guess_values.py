"""The values of a guess as a person reads and types them when something is to be changed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from memtool.core.checksums.checksum import WhenBlanked
from memtool.core.layouts.region import BLANKABLE, FieldType, RegionKind
from memtool.formats.layout_toml.drafts import GuessText

GUESS_KEYS = {
    "region": ("name", "kind", "span", "type", "stored_as", "copy_of", "blank_to"),
    "checksum": ("name", "algorithm", "covers", "stored", "byte_order", "when_blanked"),
    "records": ("name",),
}
"""What is asked for of each kind of table, in this order."""
GUESS_CHOICES: Mapping[str, tuple[str, ...]] = {
    "kind": tuple(kind.value for kind in RegionKind if kind is not RegionKind.CHECKSUM),
    "type": tuple(each.value for each in FieldType),
    "byte_order": ("big", "little"),
    "when_blanked": tuple(each.value for each in WhenBlanked),
}
"""The only values that these may have."""


def value_as_text(value: object) -> str:
    """A value of the file as a person types it; empty where the table has none."""
    if value is None:
        return ""
    if isinstance(value, list):
        return ", ".join(str(part) for part in value)
    return f"0x{value:02X}" if isinstance(value, int) else str(value)


def text_as_value(key: str, text: str) -> str | int | list[str]:
    """What a person typed behind a key, as the file has it."""
    if key == "covers":
        return [part.strip() for part in text.split(",")]
    if key == "blank_to" and text.lower().startswith("0x"):
        try:
            return int(text, 16)
        except ValueError:
            return text
    return text


def fold_change(guess: GuessText, change: Mapping[str, Any]) -> dict[str, Any]:
    """A change without what stays the same, and without a blank value where none may be."""
    folded = {key: value for key, value in change.items() if guess.values.get(key) != value}
    kind = str(folded.get("kind", guess.values.get("kind", "")))
    if guess.table == "region" and "blank_to" in guess.values and kind not in tuple(BLANKABLE):
        folded["blank_to"] = None
    return folded
