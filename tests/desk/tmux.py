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

    def __init__(self, tmux: str, socket: Path, ended: Path) -> None:
        """`ended` is the file that the command's exit status is written to."""
        self._tmux = tmux
        self._socket = socket
        self._ended = ended
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
            if self._ended.is_file() and (told := self._ended.read_text()):
                return int(told)
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
    ended = bench.parent / "ended"
    terminal = Terminal(require("tmux"), socket, ended)
    told = {
        "PYTHONPATH": str(ROOT),
        "BENCHIMAGE_STORE": str(bench / "store"),
        **{name: os.environ[name] for name in ("XDG_STATE_HOME", "BENCHIMAGE_LAYOUTS")},
    }
    words = [f"{name}={value}" for name, value in told.items()]
    command = shlex.join(["env", *words, sys.executable, "-m", "memtool", *arguments])
    # On a busy machine tmux may never ask for the status of what it started.
    command += f"; echo $? > {shlex.quote(str(ended))}"
    place = ("-x", str(columns), "-y", str(lines), "-c", str(bench))
    try:
        terminal.do("new-session", "-d", *place, command, ";", "set", "remain-on-exit", "on")
        yield terminal
    finally:
        terminal.do("kill-server")
