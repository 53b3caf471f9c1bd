"""What all commands share: option sets, parameter types, and the one way out to stdout."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from memtool.core.span import Span, parse_number, parse_span

Command = TypeVar("Command", bound=Callable[..., Any])


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


SPAN = _SpanType()
"""``0x0120-0x0130`` or ``0x0120+17``."""
NUMBER = _NumberType()
"""``288`` or ``0x0120``."""
PATH = click.Path(path_type=Path)
"""Any path; `memtool.store` says what is wrong with it."""


def output_options(command: Command) -> Command:
    """Give a command ``--json`` and ``--debug`` (which `memtool.cli.main` acts on)."""
    for option in (
        click.option("--debug", is_flag=True, expose_value=False, help="Show error details."),
        click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout."),
    ):
        command = option(command)
    return command


def store_option(command: Command) -> Command:
    """Give a command ``--store``, the folder of the backup store."""
    return click.option(
        "--store",
        type=PATH,
        envvar="BENCHIMAGE_STORE",
        help="Folder of the backup store.",
    )(command)


def reading_options(command: Command) -> Command:
    """Give a command the options of all reading commands.

    The command receives ``read_format``, ``overlap``, ``chip``, ``base``, ``store`` and
    ``as_json``; `memtool.workflow.loading.ReadOptions` takes the first four.
    """
    for option in (
        click.option("--base", type=NUMBER, default=0, help="Address of a raw file's first byte."),
        click.option("--chip", help="Memory chip, for example 24C16, 93C66, 95160."),
        click.option(
            "--overlap",
            type=click.Choice(["last"]),
            help="Where records overlap with other bytes, let the last one win.",
        ),
        click.option(
            "--format",
            "read_format",
            type=click.Choice(["raw", "intel-hex", "s-record"]),
            help="Otherwise told by content.",
        ),
    ):
        command = option(command)
    return output_options(store_option(command))


def print_json(document: dict[str, Any]) -> None:
    """Print exactly one JSON document on stdout, ASCII only."""
    click.echo(json.dumps(document, indent=2, ensure_ascii=True))


def note(text: str) -> None:
    """Say something to the person, not to the pipe."""
    click.echo(text, file=sys.stderr)
