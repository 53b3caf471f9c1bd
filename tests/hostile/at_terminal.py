"""Runs the command as a process of its own at a real pseudo-terminal.

As in `tests.command_line`, most are forked from a process that has imported the program.
"""

from __future__ import annotations

import errno
import fcntl
import os
import re
import select
import struct
import subprocess
import sys
import termios
import time
import unicodedata
from pathlib import Path

import click

from memtool.cli.main import benchimage
from tests.command_line import ROOT, is_started
from tests.hostile.forked import AtTerminal

EVIL = "\x1b[35;45mEVIL\x1b]0;EVIL\x07\x9b2J\x9d0;EVIL\x9c\u202edcba\u2066\u200f\u2028\u061c"
"""Colours and a window title by ESC and by C1, and each kind of control of direction."""
OWN_COLOURS = frozenset({"", "0", "1", "2", "3", "4", "7", "22", "31", "32", "33", "34", "36"})
"""What the tool and click use; the hostile texts use others."""
_COLOUR = re.compile(r"\x1b\[([0-9;]*)m")
_OWN = re.compile(
    r"\x1b\[2J\x1b\[1;1H|\rsearching: [ -~]*|\r +\r|\r(?:looking at the image|comparing|reading"
    r"|planning|blanking|converting|looking at both modules|looking for the identity|checking"
    r"|writing the customer file): \d+ s *"
)
"""`layout review` begins a new screen; long work says how far it is, over and over in one line."""
_DIRECTION = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def faults_of(shown: str) -> list[str]:
    """What in a terminal's input could act or mislead; empty if it is all plain."""
    found = [
        f"colour {match[0]!r}"
        for match in _COLOUR.finditer(shown)
        if not set(match[1].split(";")) <= OWN_COLOURS
    ]
    rest = _OWN.sub("", _COLOUR.sub("", shown)).replace("\r\n", "\n")
    for character in rest:
        control = unicodedata.category(character) in ("Cc", "Zl", "Zp") and character != "\n"
        if control or character in _DIRECTION:
            found.append(f"U+{ord(character):04X}")
    if any(line.startswith("EVIL-LINE") for line in rest.splitlines()):
        found.append("a line that is not ours")
    return found


def run_at_terminal(
    arguments: list[str],
    *,
    cwd: Path,
    typed: tuple[tuple[str, ...], str] | None = None,
    timeout: float = 60,
) -> tuple[int, str]:
    """Exit status, and everything that reached the terminal (stdout and stderr are one there).

    `typed` is what a person types, and after which ends of what is shown.
    """
    environment = {
        name: value
        for name, value in os.environ.items()
        if name not in ("NO_COLOR", "CI", "COLUMNS")
    } | {"TERM": "xterm-256color", "PYTHONPATH": str(ROOT), "BENCHIMAGE_SHOP": f"{cwd}/who"}
    terminal, far = os.openpty()
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
    begun: AtTerminal | _Started
    if is_started(arguments):
        begun = _Started(arguments, far, cwd=cwd, environment=environment)
    else:
        begun = AtTerminal(arguments, far, cwd=cwd, environment=environment, timeout=timeout)
    os.close(far)
    shown = b""
    deadline = time.monotonic() + timeout
    while True:
        ready, _, _ = select.select([terminal], [], [], 0.5)
        try:
            if ready:
                got = os.read(terminal, 65536)
                if not got:
                    break
                shown += got
                if typed and shown.decode(errors="replace").endswith(typed[0]):
                    os.write(terminal, typed[1].encode())
        except OSError as error:
            if error.errno != errno.EIO:
                raise
            break
        if time.monotonic() > deadline:
            begun.kill()
            break
    status = begun.wait()
    os.close(terminal)
    return status, shown.decode("utf-8")


class _Started:
    """A command that was started as a person starts it, at a terminal."""

    def __init__(
        self, arguments: list[str], terminal: int, *, cwd: Path, environment: dict[str, str]
    ) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "memtool", *arguments],
            stdin=terminal,
            stdout=terminal,
            stderr=terminal,
            cwd=cwd,
            env=environment,
            preexec_fn=lambda: os.login_tty(os.dup(0)),
        )

    def kill(self) -> None:
        """End it at once."""
        self._process.kill()

    def wait(self) -> int:
        """Its exit status; negative: the signal that ended it."""
        return self._process.wait()


def leaf_commands() -> list[tuple[str, ...]]:
    """Every command of the tool, as the words that are typed."""
    found: list[tuple[str, ...]] = []

    def walk(command: click.Command, words: tuple[str, ...]) -> None:
        if not isinstance(command, click.Group):
            found.append(words)
            return
        context = click.Context(command)
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below is not None
            walk(below, (*words, name))

    walk(benchimage, ())
    return sorted(found)
