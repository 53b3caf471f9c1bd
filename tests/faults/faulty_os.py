"""Counts the system calls of the store's code and makes the N-th one fail.

A call counts if it comes from `memtool.store`, from `filelock`, or from `pathlib` on their
behalf. This is the daily form of a fault sweep; `strace_sweep` does the same with the real
system under a real process.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from enum import Enum
from pathlib import Path
from typing import Any
from unittest import mock

CALLS = (
    *("open", "read", "write", "lseek", "fsync", "fstat", "stat", "lstat", "close", "link"),
    *("unlink", "mkdir", "rename", "ftruncate", "fchmod", "listdir", "posix_fadvise"),
)
CHANGING = frozenset({"write", "fsync", "link", "unlink", "mkdir", "rename", "ftruncate"})


class Mode(Enum):
    """What happens at the N-th call and after it."""

    ONCE = "fails once"
    STICKY = "fails, and every later call of that name too"
    DEAD = "the process is gone: every later call ends it again"
    AFTER = "takes effect, then the process is interrupted"


class KilledError(BaseException):
    """Stands for a kill: nothing catches it, and no cleaning up works after it."""


class FaultyOs:
    """One run with one fault."""

    def __init__(
        self, at: int, error: BaseException, mode: Mode, names: frozenset[str] | None = None
    ) -> None:
        """The fault comes at the `at`-th call, from 1; 0 only counts."""
        self.at, self.error, self.mode = at, error, mode
        self.names = names
        self.seen: list[str] = []
        self._failing: str | None = None

    @property
    def happened(self) -> bool:
        """Whether the run had so many calls."""
        return bool(self.at) and len(self.seen) >= self.at

    def wrapper(self, name: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any, **options: Any) -> Any:
            if not _is_ours(sys._getframe(1)):
                return real(*arguments, **options)
            if self._failing is not None and (self.mode is Mode.DEAD or self._failing == name):
                if name == "close":
                    real(*arguments, **options)
                raise self.error
            if self.names is None or name in self.names:
                self.seen.append(name)
                if len(self.seen) == self.at:
                    self.strike(name, lambda: real(*arguments, **options))
            return real(*arguments, **options)

        return call

    def strike(self, name: str, act: Callable[[], object]) -> None:
        """The fault, at its call; `act` makes the call."""
        if self.mode in (Mode.STICKY, Mode.DEAD):
            self._failing = name
        if self.mode is Mode.AFTER or name == "close":
            act()
        raise self.error


def _is_ours(frame: Any) -> bool:
    for _ in range(3):
        module = frame.f_globals.get("__name__", "")
        if module.startswith(("memtool.store", "filelock")):
            return True
        if module.split(".")[0] != "pathlib":
            return False
        frame = frame.f_back
    return False


@contextmanager
def faults(fault: FaultyOs) -> Iterator[FaultyOs]:
    """Run the body with the fault; file descriptors that it leaves open are closed after it."""
    before = open_descriptors()
    with ExitStack() as stack:
        for name in CALLS:
            wrapper = fault.wrapper(name, getattr(os, name))
            stack.enter_context(mock.patch.object(os, name, wrapper))
        yield fault
    if fault.mode in (Mode.DEAD, Mode.AFTER):
        for descriptor in open_descriptors() - before:
            os.close(descriptor)


def open_descriptors() -> set[int]:
    """The descriptors of this process, where the system lists them."""
    try:
        names = [path.name for path in Path("/proc/self/fd").iterdir()]
        return {int(name) for name in names if _is_open(int(name))}
    except FileNotFoundError:
        return set()


def _is_open(descriptor: int) -> bool:
    try:
        os.fstat(descriptor)
    except OSError:
        return False
    return True
