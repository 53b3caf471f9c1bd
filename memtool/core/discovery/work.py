"""The pieces of a search, one after the other or several at once.

Nearly all time goes into numpy, which lets other threads run. Each piece reports to a
collector of its own, and they are put together in their order: the answer is the same with any
number of workers.
"""

from __future__ import annotations

import _thread
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from threading import Event

from memtool.core.discovery.collecting import Collector
from memtool.core.discovery.results import DiscoveredBlock

_TOLD = 0.1
"""Seconds after which progress is told again, and an interruption noticed."""

Progress = Callable[[int, int, str], None]
"""Called with the pieces of work done, their number, and what is being looked for."""


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """One piece of work that no other one waits for."""

    text: str
    """What is being looked for."""
    run: Iterator[None]
    """Does it, with pauses."""
    collector: Collector
    """What it reports to."""
    unknown: list[DiscoveredBlock]
    """Blocks with constants of their own that it found."""


def do_work(pieces: Sequence[Piece], workers: int, progress: Progress | None) -> None:
    """Do all pieces.

    Args:
        pieces: In the order in which they are begun.
        workers: How many work at once, the caller's thread among them.
        progress: Told now and then, by the caller's thread; may raise to end the work.
    """
    waiting, reports, stop = deque(pieces), SimpleQueue[BaseException | None](), Event()
    for _ in range(min(workers, len(pieces)) - 1):
        # Where there is no room for a thread, the others do its work.
        with suppress(RuntimeError, MemoryError):
            # Not `Thread`: its `start` would wait for ever for one that ended for want of memory.
            _thread.start_new_thread(_help, (waiting, reports, stop))
    done = 0
    try:
        while done < len(pieces):
            piece = _next_of(waiting)
            for _ in () if piece is None else piece.run:
                if progress is not None:
                    progress(done, len(pieces), "" if piece is None else piece.text)
            done += piece is not None
            # With work of its own it only looks in; without, it waits, but wakes for an
            # interruption.
            done += _count_reports(reports, 0 if piece is not None else _TOLD)
            if progress is not None and piece is None:
                # Never "all done" from in here: the caller says that.
                progress(min(done, len(pieces) - 1), len(pieces), pieces[-1].text)
    finally:
        # Nothing is kept open or half written by a helper, so none has to be waited for.
        stop.set()


def _next_of(waiting: deque[Piece]) -> Piece | None:
    try:
        # One call that threads cannot share; to ask first whether there is one would leave a gap.
        return waiting.popleft()
    except IndexError:
        return None


def _count_reports(reports: SimpleQueue[BaseException | None], wait: float) -> int:
    """How many pieces were done elsewhere since the last call; what went wrong there is raised.

    Args:
        reports: None for each piece done.
        wait: Seconds to wait for one.
    """
    count = 0
    with suppress(Empty):
        while True:
            fault = reports.get(timeout=wait) if wait and not count else reports.get_nowait()
            if fault is not None:
                raise fault
            count += 1
    return count


def _help(waiting: deque[Piece], reports: SimpleQueue[BaseException | None], stop: Event) -> None:
    """Take one piece after the other until there is none."""
    try:
        while (piece := _next_of(waiting)) is not None:
            for _ in piece.run:
                if stop.is_set():
                    return
            reports.put(None)
    except BaseException as fault:  # noqa: BLE001 - it is raised where the work was asked for
        reports.put(fault)
