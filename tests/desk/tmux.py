"""A person at a real terminal: tmux draws what the desk sends, and its screen is read as text."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.command_line import ROOT
from tests.needs import require

_PATIENCE = 90.0
"""Seconds that a busy machine may take for one picture."""


class Terminal:
    """One terminal with the desk in it."""

    def __init__(self, tmux: str, socket: Path) -> None:
        self._tmux = tmux
        self._socket = socket
        self.keys = 0

    def do(self, *arguments: str) -> str:
        """One command of tmux, and what it prints."""
        done = subprocess.run(
            [self._tmux, "-S", str(self._socket), "-f", os.devnull, *arguments],
            capture_output=True,
            check=False,
            encoding="utf-8",
        )
        return done.stdout

    def press(self, *keys: str) -> None:
        """Press keys, by tmux's names."""
        self.keys += len(keys)
        self.do("send-keys", *keys)

    def type(self, text: str) -> None:
        """Type a text."""
        self.keys += len(text)
        self.do("send-keys", "-l", text)

    def text(self) -> str:
        """What stands on the screen now."""
        return self.do("capture-pane", "-p")

    def until(self, *words: str) -> None:
        """Wait until all of these stand on the screen; how a line is broken does not count."""
        end = time.monotonic() + _PATIENCE
        while time.monotonic() < end:
            seen = " ".join(self.text().split())
            if all(each in seen for each in words):
                return
            time.sleep(0.05)
        raise AssertionError(f"the terminal never said {words}:\n{self.text()}")

    def until_ended(self) -> int:
        """Wait for the end of the desk; its exit status."""
        end = time.monotonic() + _PATIENCE
        while time.monotonic() < end:
            told = self.do("list-panes", "-F", "#{pane_dead} #{pane_dead_status}").split()
            # A pane is told dead when its terminal closes, a moment before its status is known.
            if told[:1] == ["1"] and len(told) == 2:
                return int(told[1])
            time.sleep(0.05)
        raise AssertionError(f"the desk did not end:\n{self.text()}")


@contextmanager
def open_terminal(
    bench: Path, *arguments: str, size: tuple[int, int] = (100, 30)
) -> Iterator[Terminal]:
    """The command in a terminal of that size; the terminal goes with the test."""
    columns, lines = size
    # The path of a socket may have 107 bytes (unix(7)), so it is named from where it lies.
    socket = Path(os.path.relpath(bench.parent / "tmux"))
    terminal = Terminal(require("tmux"), socket)
    told = {
        "PYTHONPATH": str(ROOT),
        "BENCHIMAGE_STORE": str(bench / "store"),
        **{name: os.environ[name] for name in ("XDG_STATE_HOME", "BENCHIMAGE_LAYOUTS")},
    }
    words = [f"{name}={value}" for name, value in told.items()]
    command = shlex.join(["env", *words, sys.executable, "-m", "memtool", *arguments])
    place = ("-x", str(columns), "-y", str(lines), "-c", str(bench))
    try:
        terminal.do("new-session", "-d", *place, command, ";", "set", "remain-on-exit", "on")
        yield terminal
    finally:
        terminal.do("kill-server")
