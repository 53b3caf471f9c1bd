"""Runs the command in a fork: real files, real exit status, no start-up time.

The forks are those of a small process that has imported the command and done nothing else. A
fork of pytest's own process would have none of the threads that a test left there (the PDF's
writer keeps a pool of them) and would wait for them for ever.
"""

from __future__ import annotations

import array
import atexit
import gc
import importlib
import io
import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO

ROOT = Path(__file__).resolve().parent.parent.parent
_SAID_AT_MOST = 1 << 20
"""Bytes of one request: its arguments and its environment."""
_servers: dict[int, socket.socket] = {}
"""One for each process that asks: a fork of a test must not share its parent's."""


@dataclass(frozen=True)
class Ended:
    """What came of one run."""

    status: int
    """Negative: the signal that ended it."""
    stdout: str
    stderr: str
    seconds: float
    """Of the processor, so that it does not matter what else the machine does."""
    mebibytes: float
    """The most memory that it held at a time, the imported command's part included."""


@dataclass(frozen=True)
class _Request:
    arguments: list[str]
    cwd: str
    timeout: float
    environment: Mapping[str, str]
    in_server: bool = False
    """Run where the forks are made, see `warm_up`."""


def run_forked(
    arguments: list[str],
    *,
    cwd: Path,
    stdout: Path | None = None,
    timeout: float = 60,
    environment: Mapping[str, str] | None = None,
) -> Ended:
    """One command without a terminal; `stdout` names a file to write to instead."""
    given = dict(os.environ if environment is None else environment)
    request = _Request(arguments, str(Path(cwd).absolute()), timeout, given)
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        if stdout is None:
            status, seconds, memory = _ask(request, out, err)
        else:
            with (Path(cwd) / stdout).open("wb", buffering=0) as named:
                status, seconds, memory = _ask(request, named, err)
        said, noted = (_text_of(file.fileno()) for file in (out, err))
    return Ended(status, said, noted, seconds, memory)


class AtTerminal:
    """A command that has begun at a terminal; whoever asked reads what it shows there."""

    def __init__(
        self,
        arguments: list[str],
        terminal: int,
        *,
        cwd: Path,
        timeout: float,
        environment: Mapping[str, str],
    ) -> None:
        """Its three streams are that descriptor, the far side of a pseudo-terminal."""
        prepare_to_fork()
        self._server = _servers[os.getpid()]
        request = _Request(arguments, str(Path(cwd).absolute()), timeout, environment)
        _send(self._server, request, [terminal])

    def kill(self) -> None:
        """The process that forks ends it when its time is over; here is nothing to do."""

    def wait(self) -> int:
        """Its exit status; negative: the signal that ended it."""
        return int(_receive(self._server)[0])


def prepare_to_fork() -> None:
    """Start what the first command would otherwise wait for."""
    if os.getpid() not in _servers:
        _start()


def warm_up(arguments: list[str], *, cwd: Path) -> None:
    """Run a command in the process that forks, so that no later fork builds its tables again.

    For long runs of many small commands, which then take half the time. What it prints is lost.
    """
    request = _Request(arguments, str(Path(cwd).absolute()), 0, dict(os.environ), in_server=True)
    with Path(os.devnull).open("wb") as nowhere:
        _ask(request, nowhere, nowhere)


def _text_of(descriptor: int) -> str:
    with os.fdopen(os.dup(descriptor), "rb") as file:
        file.seek(0)
        return file.read().decode("utf-8")


def _ask(request: _Request, out: IO[bytes], err: IO[bytes]) -> tuple[int, float, float]:
    prepare_to_fork()
    server = _servers[os.getpid()]
    _send(server, request, [out.fileno(), err.fileno()])
    return _receive(server)


def _send(server: socket.socket, request: _Request, descriptors: list[int]) -> None:
    said = json.dumps(asdict(request)).encode()
    assert len(said) < _SAID_AT_MOST, "a request beyond the pipe's length"
    socket.send_fds(server, [said], descriptors)


def _receive(server: socket.socket) -> tuple[int, float, float]:
    answer = server.recv(256)
    assert answer, "the process that forks the commands has ended"
    status, seconds, memory = json.loads(answer)
    return status, seconds, memory


def _start() -> None:
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    for side in (ours, theirs):
        for size in (socket.SO_SNDBUF, socket.SO_RCVBUF):
            side.setsockopt(socket.SOL_SOCKET, size, 2 * _SAID_AT_MOST)
    with theirs:
        server = subprocess.Popen(
            [sys.executable, "-m", "tests.hostile.forked", str(theirs.fileno())],
            cwd=ROOT,
            pass_fds=[theirs.fileno()],
            stdin=subprocess.DEVNULL,
        )
    _servers[os.getpid()] = ours
    atexit.register(_stop, ours, server)


def _stop(ours: socket.socket, server: subprocess.Popen[bytes]) -> None:
    ours.close()
    with suppress(ChildProcessError):
        server.wait()


# From here on it is the process that forks.


def _serve(asked: socket.socket) -> None:
    """Fork one command after another until nobody can ask any more."""
    _load_beforehand()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C at the tests is for the tests
    while True:
        said, descriptors, _, _ = socket.recv_fds(asked, _SAID_AT_MOST, 2)
        if not said:
            return
        request = _Request(**json.loads(said))
        if request.in_server:
            _be_warmed_up(request)
            for descriptor in descriptors:
                os.close(descriptor)
            asked.send(json.dumps((0, 0.0, 0.0)).encode())
            continue
        child = os.fork()
        if child == 0:
            signal.signal(signal.SIGINT, signal.default_int_handler)
            asked.close()
            _be_the_command(request, array.array("i", descriptors))
        for descriptor in descriptors:
            os.close(descriptor)
        asked.send(json.dumps(_wait(child, request.timeout)).encode())


def _load_beforehand() -> None:
    """Import what every command needs, so that no fork has to."""
    for name in ("start", "blank", "check", "convert", "job", "reading", "backup"):
        importlib.import_module(f"memtool.cli.{name}")
    for name in ("numpy", "pydantic", "memtool.formats.layout_toml.shape"):
        importlib.import_module(name)


def _be_warmed_up(request: _Request) -> None:
    from memtool.cli.main import main

    environment, folder = dict(os.environ), Path.cwd()
    stdout, stderr = sys.stdout, sys.stderr
    os.environ.update(request.environment)
    os.chdir(request.cwd)
    sys.stdout, sys.stderr = io.StringIO(), io.StringIO()
    try:
        with suppress(SystemExit):
            main(request.arguments)
    finally:
        sys.stdout, sys.stderr = stdout, stderr
        os.chdir(folder)
        os.environ.clear()
        os.environ.update(environment)
    # A collection in a fork would write to all that it shares, and so copy it.
    gc.collect()
    gc.freeze()


def _wait(child: int, timeout: float) -> tuple[int, float, float]:
    """Its status, the seconds of the processor, and its memory in MiB."""
    deadline = time.monotonic() + timeout
    while True:
        done, status, used = os.wait4(child, os.WNOHANG)
        if done:
            seconds = used.ru_utime + used.ru_stime
            return os.waitstatus_to_exitcode(status), seconds, used.ru_maxrss / 1024
        if time.monotonic() > deadline:
            os.kill(child, signal.SIGKILL)
            deadline += 60
        time.sleep(0.002)


def _be_the_command(request: _Request, descriptors: array.array[int]) -> None:
    from memtool.cli.main import main

    status = 99
    try:
        if len(descriptors) == 1:
            os.login_tty(descriptors[0])
        else:
            for number, descriptor in enumerate(descriptors, 1):
                os.dup2(descriptor, number)
                os.close(descriptor)
            os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        os.environ.clear()
        os.environ.update(request.environment)
        os.chdir(request.cwd)
        sys.stdin = os.fdopen(0, encoding="utf-8")
        sys.stdout = os.fdopen(1, "w", encoding="utf-8", errors="surrogateescape")
        sys.stderr = os.fdopen(2, "w", encoding="utf-8", errors="backslashreplace")
        main(request.arguments)
    except SystemExit as end:
        status = end.code if isinstance(end.code, int) else 98
    except BaseException as error:  # noqa: BLE001 - the parent reports it
        os.write(2, f"Traceback, escaped: {error!r}\n".encode())
    os._exit(status)


if __name__ == "__main__":
    _serve(socket.socket(fileno=int(sys.argv[1])))
