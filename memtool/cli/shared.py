"""The one way out: the document on stdout, and notes on stderr."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING, Any, TextIO

import click
from click.core import ParameterSource

from memtool.lazy import json, pathlib, shutil
from memtool.render.text import wrapping
from memtool.render.text.next_steps import NextStep, quoted, render_next, with_options

if TYPE_CHECKING:
    from pathlib import Path

_ENDLESS = 1_000_000


def print_json(document: dict[str, Any]) -> None:
    """Print exactly one JSON document on stdout, ASCII only."""
    click.echo(json.dumps(document, indent=2, ensure_ascii=True))


def note(text: str) -> None:
    """Say something to the person, not to the pipe; wrapped by words where a person sits there."""
    click.echo(fitted(text), file=sys.stderr)


def say(text: str) -> None:
    """Print a result; wrapped by words where a person sits before it."""
    click.echo(fitted(text, sys.stdout))


def fitted(text: str, stream: TextIO | None = None) -> str:
    """The text in lines that fit the terminal; as it is where nobody sits there."""
    width = note_width(stream)
    if width is None:
        return text
    return "\n".join(part for line in text.split("\n") for part in _fitted(line, width))


def _fitted(line: str, width: int) -> list[str]:
    """A line, or what it becomes in so many columns; what is styled was fitted before."""
    if len(line) <= width or "\x1b" in line:
        return [line]
    indent = " " * (len(line) - len(line.lstrip()))
    first, *others = wrapping.wrap(line.lstrip(), width - len(indent) - 2)
    return [f"{indent}{first}", *(f"{indent}  {part}" for part in others)]


def note_width(stream: TextIO | None = None) -> int | None:
    """Columns for notes and errors, or for what another stream gets.

    None: nobody sits before it, so each text stays one line, as those who search it expect.
    """
    stream = stream or sys.stderr
    if os.environ.get("COLUMNS") or (stream is not None and stream.isatty()):
        return max(wrapping.terminal_width(), shutil.get_terminal_size((80, 24)).columns)
    return None


def say_next(step: NextStep, *, in_job: bool = False, has_moved: bool = False) -> None:
    """Say what to do next, with the commands for it.

    Args:
        step: As it is typed inside the job, with the usual store.
        in_job: Whether its commands take the job and the store that this run was given.
        has_moved: Whether the commands begin with going into the job's folder.
    """
    if in_job:
        step = with_options(step, _place_typed(has_moved=has_moved))
    click.echo(render_next(step, width=note_width() or _ENDLESS), file=sys.stderr)


def _place_typed(*, has_moved: bool) -> str:
    """The options of this run that say where the job and the store are."""
    context = click.get_current_context()
    words = []
    for name in ("job", "store"):
        typed = context.get_parameter_source(name) is ParameterSource.COMMANDLINE
        folder = context.params.get(name)
        if not typed or folder is None or (has_moved and name == "job"):
            continue
        if name == "job" and is_here(folder):
            continue
        words += [f"--{name}", quoted(folder.absolute() if has_moved else folder)]
    return " ".join(words)


def is_here(folder: Path) -> bool:
    """Whether the command was called in that folder."""
    try:
        return folder.resolve() == pathlib.Path.cwd().resolve()
    except OSError:
        return False


def typed_arguments() -> tuple[str, ...]:
    """The words of this run, as they were typed behind the program's name."""
    words = click.get_current_context().find_root().obj
    return words if isinstance(words, tuple) else ()
