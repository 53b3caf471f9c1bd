"""``Next``: what a person does now, and the commands for it, each as it can be typed."""

from __future__ import annotations

import re
import shlex
from typing import TYPE_CHECKING, NamedTuple

from memtool.render.text import wrapping
from memtool.render.words import safe_text

if TYPE_CHECKING:
    from pathlib import Path

_QUOTED = r"'(benchimage [^']*)'"
"""A command inside a sentence."""


class NextStep(NamedTuple):
    """What to do now."""

    text: str = ""
    """What the person does, or what the commands are for; without full stop."""
    commands: tuple[str, ...] = ()
    """In their order, each whole; words in capitals are the person's to fill in."""
    otherwise: str = ""
    """What else can be done instead, a sentence; it names no command that needs the first."""


def quoted(path: str | Path) -> str:
    """A path as it is typed in a shell, safe to print."""
    return safe_text(shlex.quote(str(path)))


def with_options(step: NextStep, options: str) -> NextStep:
    """The step with more options on each of its commands, those in sentences too."""
    if not options:
        return step

    def more(found: re.Match[str]) -> str:
        return f"'{found[1]} {options}'"

    return NextStep(
        text=re.sub(_QUOTED, more, step.text),
        commands=tuple(
            f"{command} {options}" if command.startswith("benchimage ") else command
            for command in step.commands
        ),
        otherwise=re.sub(_QUOTED, more, step.otherwise),
    )


def render_next(step: NextStep, *, width: int) -> str:
    """The step as lines. A command stands on a line of its own and is never broken."""
    commands = list(step.commands)
    if not step.text and len(commands) == 1:
        lines = [f"Next: {commands[0]}"]
    elif not commands:
        lines = _hanging(f"Next: {step.text}.", width)
    else:
        lines = _hanging(f"Next: {step.text}:" if step.text else "Next:", width)
        lines += [f"  {command}" for command in commands]
    if step.otherwise:
        lines += _hanging(step.otherwise, width)
    return "\n".join(lines)


def _hanging(text: str, width: int) -> list[str]:
    first, *others = wrapping.wrap(safe_text(text), width - 2)
    return [first, *(f"  {line}" for line in others)]


def one_line(step: NextStep) -> str:
    """The step as one text, for scripts."""
    commands = "; ".join(step.commands)
    said = ": ".join(part for part in (step.text, commands) if part)
    return f"{said}. {step.otherwise}" if step.otherwise else said
