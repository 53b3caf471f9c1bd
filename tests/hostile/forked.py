"""Runs the command in a fork of this process: real files, real exit status, no start-up time."""

from __future__ import annotations

import os
import signal
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Ended:
    """What came of one run."""

    status: int
    """Negative: the signal that ended it."""
    stdout: str
    stderr: str
    seconds: float
    mebibytes: float
    """The most memory that it held at a time, this process' own part included."""


def run_forked(
    arguments: list[str], *, cwd: Path, stdout: Path | None = None, timeout: float = 60
) -> Ended:
    """One command without a terminal; `stdout` names a file to write to instead."""
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        start = time.monotonic()
        child = os.fork()
        if child == 0:
            if stdout is not None:
                os.dup2(os.open(stdout, os.O_WRONLY), 1)
            else:
                os.dup2(out.fileno(), 1)
            os.dup2(err.fileno(), 2)
            _be_the_command(arguments, cwd)
        status, memory = _wait(child, timeout)
        seconds = time.monotonic() - start
        said, noted = (_text_of(file.fileno()) for file in (out, err))
    return Ended(status, said, noted, seconds, memory)


def _text_of(descriptor: int) -> str:
    with os.fdopen(os.dup(descriptor), "rb") as file:
        file.seek(0)
        return file.read().decode("utf-8")


def _wait(child: int, timeout: float) -> tuple[int, float]:
    deadline = time.monotonic() + timeout
    while True:
        done, status, used = os.wait4(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status), used.ru_maxrss / 1024
        if time.monotonic() > deadline:
            os.kill(child, signal.SIGKILL)
            deadline += 60
        time.sleep(0.002)


def _be_the_command(arguments: list[str], cwd: Path) -> None:
    import sys

    from memtool.cli.main import main

    status = 99
    try:
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        os.chdir(cwd)
        sys.stdin = os.fdopen(0, encoding="utf-8")
        sys.stdout = os.fdopen(1, "w", encoding="utf-8", errors="surrogateescape")
        sys.stderr = os.fdopen(2, "w", encoding="utf-8", errors="backslashreplace")
        main(arguments)
    except SystemExit as end:
        status = end.code if isinstance(end.code, int) else 98
    except BaseException as error:  # noqa: BLE001 - the parent reports it
        os.write(2, f"Traceback, escaped: {error!r}\n".encode())
    os._exit(status)
