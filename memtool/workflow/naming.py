"""Chips and memories as a person names them, typed or asked for."""

from __future__ import annotations

from memtool.core.chip import CHIP_ADVICE, Chip, parse_chip
from memtool.core.names import parse_memory_name
from memtool.errors import UsageError


def require_chip(name: str) -> Chip:
    """The chip that a person named, on the command line or when asked.

    Raises:
        UsageError: nothing is known by that name; the same sentence for every command.
    """
    try:
        return parse_chip(name)
    except ValueError as error:
        raise UsageError(str(error), code="unknown-chip", next_step=CHIP_ADVICE) from error


def require_memory(text: str) -> tuple[str, Chip]:
    """Name and chip of a memory that a person declared, as in ``data-flash=64K``.

    Raises:
        UsageError: it is not of that shape, the name may not be one, or nothing is known
            by the chip's name.
    """
    name, separator, chip = text.partition("=")
    if not separator:
        raise UsageError(
            f"'{text}' does not name a memory and its chip",
            code="memory",
            next_step="write NAME=CHIP, for example eeprom=95160",
        )
    try:
        return parse_memory_name(name), require_chip(chip)
    except ValueError as error:
        raise UsageError(str(error), code="memory-name", next_step="choose another name") from error
