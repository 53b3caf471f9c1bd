"""What an option or argument may be: parameter types, each the only door for its kind."""

from __future__ import annotations

import click

from memtool.cli.place import PATH as PATH
from memtool.core.chip import Chip
from memtool.core.span import Span, parse_number, parse_span
from memtool.errors import UsageError
from memtool.workflow.late import reader_order
from memtool.workflow.naming import require_chip, require_memory


class _SpanType(click.ParamType[Span]):
    name = "span"

    def convert(
        self, value: str | Span, param: click.Parameter | None, ctx: click.Context | None
    ) -> Span:
        if isinstance(value, Span):
            return value
        try:
            return parse_span(value)
        except ValueError as error:
            self.fail(str(error), param, ctx)


class _NumberType(click.ParamType[int]):
    name = "number"

    def convert(
        self, value: str | int, param: click.Parameter | None, ctx: click.Context | None
    ) -> int:
        if isinstance(value, int):
            return value
        try:
            return parse_number(value)
        except ValueError as error:
            self.fail(str(error), param, ctx)


class _ChipType(click.ParamType[Chip]):
    name = "chip"

    def convert(
        self, value: str | Chip, param: click.Parameter | None, ctx: click.Context | None
    ) -> Chip:
        return value if isinstance(value, Chip) else require_chip(value)


class _MemoryType(click.ParamType[tuple[str, Chip]]):
    name = "name=chip"

    def convert(
        self,
        value: str | tuple[str, Chip],
        param: click.Parameter | None,
        ctx: click.Context | None,
    ) -> tuple[str, Chip]:
        return require_memory(value) if isinstance(value, str) else value


class _MemorySpanType(click.ParamType[tuple[str | None, Span]]):
    name = "[name=]span"

    def convert(
        self,
        value: str | tuple[str | None, Span],
        param: click.Parameter | None,
        ctx: click.Context | None,
    ) -> tuple[str | None, Span]:
        if not isinstance(value, str):
            return value
        name, separator, span = value.rpartition("=")
        return name if separator else None, SPAN.convert(span, param, ctx)


class _ImageType(click.ParamType[str]):
    name = "image"

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> str:
        return value


SPAN = _SpanType()
"""``0x0120-0x0130`` or ``0x0120+17``."""
MEMORY_SPAN = _MemorySpanType()
"""The same, with the name of the memory that is meant: ``eeprom=0x0120+17``."""
NUMBER = _NumberType()
"""``288`` or ``0x0120``."""
CHIP = _ChipType()
"""``24C16``, ``95160``, ``64K``; nothing else is a chip."""
MEMORY = _MemoryType()
"""``eeprom=95160``: a memory's name and its chip."""
IMAGE = _ImageType()
"""A path, or inside a job the name of one of its images: for `Context.load` to read."""


def require_reader_order(name: str) -> str:
    """The order in which a reader writes its files, as a person named it.

    Raises:
        UsageError: it is none.
    """
    try:
        return reader_order.parse_reader_order(name)
    except ValueError as error:
        raise UsageError(
            str(error), code="reader-order", next_step="plain means in the chip's own order"
        ) from error
