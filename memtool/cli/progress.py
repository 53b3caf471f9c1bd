"""How far long work is, said on stderr and never on stdout."""

from __future__ import annotations

import _thread
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import click

from memtool.cli.shared import note
from memtool.render.text.terminal import terminal_width

_QUIET_SECONDS = 0.6
"""With what a start takes before it, a second."""
_SHORTEST_SECONDS = 0.3
"""What is over sooner is not told, however long nothing was said."""
_LIVE_SECONDS = 0.5
_LINE_SECONDS = 5.0
_BAR = 20
"""Signs of the bar."""
_last_word = [time.monotonic()]
"""When something was said last, by whatever work; at first, when the program began."""


class Work:
    """What is being done, and how far it is where that can be told."""

    def __init__(self, what: str) -> None:
        """Nothing is done yet.

        Args:
            what: One or few words.
        """
        self._what, self._text = what, ""
        self._started = time.monotonic()
        self._share: int | None = None
        self._live = sys.stderr.isatty()
        self._shown = 0
        self._speaking = threading.Lock()

    def __call__(self, done: int, total: int, text: str) -> None:
        """Take note of how far it is; the bar never goes back, and is full only in the end."""
        share = min(100 * done // max(1, total), 99)
        self._share = max(share, self._share or 0)
        self._text = text

    @contextmanager
    def asking(self) -> Iterator[None]:
        """Say nothing while a person is asked."""
        with self._speaking:
            self._wipe()
            yield
            _last_word[0] = time.monotonic()

    def tell_until(self, done: threading.Event) -> None:
        """Say how far it is, again and again, once nothing was said for about a second."""
        quiet = _QUIET_SECONDS - (time.monotonic() - _last_word[0])
        wait = max(quiet, _SHORTEST_SECONDS) if self._live else _LINE_SECONDS
        while not done.wait(wait):
            wait = _LIVE_SECONDS if self._live else _LINE_SECONDS
            if self._speaking.acquire(blocking=False):
                try:
                    self._tell()
                finally:
                    self._speaking.release()
        with self._speaking:
            self._wipe()

    def _tell(self) -> None:
        words = f"{max(1.0, time.monotonic() - self._started):.0f} s"
        if self._share is not None:
            full = _BAR * self._share // 100
            bar = "#" * full + "." * (_BAR - full)
            words = f"[{bar}] {self._share} %, {words} ({self._text})"
        line = f"{self._what}: {words}"
        if not self._live:
            note(line)
            return
        line = line[: terminal_width() - 1]
        click.echo("\r" + line.ljust(self._shown), nl=False, err=True)
        self._shown = max(self._shown, len(line))
        _last_word[0] = time.monotonic()

    def _wipe(self) -> None:
        """Leave no half line behind."""
        if self._live and self._shown:
            click.echo("\r" + " " * self._shown + "\r", nl=False, err=True)
            self._shown = 0
            _last_word[0] = time.monotonic()


@contextmanager
def at_work(what: str, *, may_be_long: bool = True) -> Iterator[Work]:
    """While nothing was said for about a second, say on stderr what is done and how far it is.

    At a terminal it is one line that is wiped away in the end; elsewhere a line is written every
    five seconds. A thread of its own writes it, so that no step of the work is silent. Work that
    knows how far it is calls what it is given. Where it cannot be long, no thread is begun: a
    command that writes does the same system calls each time, and a test fails each of them.
    """
    work = Work(what)
    done, over = threading.Event(), threading.Event()
    begun: list[bool] = []
    # Where there is no room for a thread, the work goes on without a word. `Thread.start` would
    # wait for ever for one that ended for want of memory before it had begun.
    with suppress(RuntimeError, MemoryError):
        if may_be_long:
            _thread.start_new_thread(_tell, (work, done, over, begun))
    try:
        yield work
    finally:
        done.set()
        if begun:
            over.wait(1.0)


def _tell(work: Work, done: threading.Event, over: threading.Event, begun: list[bool]) -> None:
    try:
        begun.append(True)
        with suppress(OSError, MemoryError):
            work.tell_until(done)
    finally:
        over.set()
