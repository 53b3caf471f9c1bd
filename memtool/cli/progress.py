"""How far a long search is, said on stderr and never on stdout."""

from __future__ import annotations

import sys
import time

import click

from memtool.cli.shared import note

_QUIET_SECONDS = 1.0
_LINE_SECONDS = 5.0


class SearchProgress:
    """Says on stderr how far a search is, once it takes longer than a second."""

    def __init__(self) -> None:
        self._started = self._said = time.monotonic()
        self._live = sys.stderr.isatty()
        self._shown = False

    def __call__(self, done: int, total: int, text: str) -> None:
        now = time.monotonic()
        wait = 0.2 if self._live else _LINE_SECONDS
        if now - self._started < _QUIET_SECONDS or (self._shown and now - self._said < wait):
            return
        self._said, self._shown = now, True
        line = f"searching: {100 * done // max(1, total)} % ({text})"
        if self._live:
            click.echo(f"\r{line:<40}", nl=False, err=True)
        else:
            note(line)

    def clear(self) -> None:
        """Leave no half line behind."""
        if self._live and self._shown:
            click.echo("\r" + " " * 40 + "\r", nl=False, err=True)
