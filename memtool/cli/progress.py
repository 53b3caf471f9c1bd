"""How far a long search is, said on stderr and never on stdout."""

from __future__ import annotations

import _thread
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

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
            _wipe()


def _wipe() -> None:
    click.echo("\r" + " " * 40 + "\r", nl=False, err=True)


@contextmanager
def at_work(what: str) -> Iterator[None]:
    """While the body runs longer than a second, say on stderr what is done and how long it takes.

    For work that cannot tell how far it is. At a terminal one line counts the seconds and is
    wiped away in the end; elsewhere a line is written every five seconds.
    """
    done, over = threading.Event(), threading.Event()
    begun: list[bool] = []
    # Where there is no room for a thread, the work goes on without a word. `Thread.start` would
    # wait for ever for one that ended for want of memory before it had begun.
    with suppress(RuntimeError, MemoryError):
        _thread.start_new_thread(_tell, (what, done, over, begun))
    try:
        yield
    finally:
        done.set()
        if begun:
            over.wait(_QUIET_SECONDS)


def _tell(what: str, done: threading.Event, over: threading.Event, begun: list[bool]) -> None:
    try:
        begun.append(True)
        with suppress(OSError, MemoryError):
            _count_seconds(what, done)
    finally:
        over.set()


def _count_seconds(what: str, done: threading.Event) -> None:
    started, live = time.monotonic(), sys.stderr.isatty()
    wait = _QUIET_SECONDS if live else _LINE_SECONDS
    while not done.wait(wait):
        line = f"{what}: {time.monotonic() - started:.0f} s"
        if live:
            click.echo(f"\r{line:<40}", nl=False, err=True)
        else:
            note(line)
    if live and time.monotonic() - started > wait:
        _wipe()
