"""Runs commands under `strace` with a fault at one system call, quickly and by real processes.

The interpreter and the tool are loaded once; each run is a fork of that, so that the calls
that are counted are those of the command and not of Python's start.

    python -m tests.faults.strace_server    reads one JSON request a line, answers with one
"""

from __future__ import annotations

import contextlib
import gc
import io
import json
import os
import re
import select
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
_WAITING = frozenset({"poll", "restart_syscall"})


class StraceServer:
    """A process that runs commands of `benchimage` under injected faults."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.faults.strace_server"],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def __enter__(self) -> StraceServer:
        return self

    def __exit__(self, *_: object) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(timeout=20)

    def run(
        self, arguments: list[str], *, cwd: Path, inject: str | None = None, trace: str = ""
    ) -> Outcome:
        """Run one command; `inject` as strace takes it, without the leading ``inject=``."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        request = {"arguments": arguments, "cwd": str(cwd), "inject": inject, "trace": trace}
        self._process.stdin.write(json.dumps(request) + "\n")
        self._process.stdin.flush()
        return Outcome(json.loads(self._process.stdout.readline()))

    def warm_up(self, arguments: list[str], *, cwd: Path) -> int:
        """Run a command in the server itself, so that all it loads is there for its forks."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        request = {"arguments": arguments, "cwd": str(cwd), "warm": True}
        self._process.stdin.write(json.dumps(request) + "\n")
        self._process.stdin.flush()
        return int(json.loads(self._process.stdout.readline())["status"])

    def calls(self, arguments: list[str], *, cwd: Path) -> list[str]:
        """The names of all system calls of a run without a fault, in order."""
        outcome = self.run(arguments, cwd=cwd, trace="all")
        names = re.findall(r"^(?:\d+ +)?(\w+)\(", outcome.log, re.MULTILINE)
        return [name for name in names if name not in _WAITING]


class Outcome:
    """What came of one run."""

    def __init__(self, answer: dict[str, Any]) -> None:
        self.status: int = answer["status"]
        """Exit status, or the negative number of the signal that ended it."""
        self.stdout: str = answer["stdout"]
        self.stderr: str = answer["stderr"]
        self.log: str = answer["log"]
        """What strace saw."""

    @property
    def was_hit(self) -> bool:
        """Whether the fault came to be."""
        marks = ("(INJECTED)", "--- SIGINT ")
        return any(mark in self.log for mark in marks) or self.status == -signal.SIGKILL


def _serve() -> None:
    import memtool.cli.main

    for module, _ in (memtool.cli.main.JOB_COMMANDS | memtool.cli.main.TOOL_COMMANDS).values():
        with contextlib.suppress(ImportError):
            __import__(module)
    # What is there already is left alone by the collector, so that forks share it for long.
    gc.collect()
    gc.freeze()
    for line in sys.stdin:
        request = json.loads(line)
        answer = _warm_up(request) if request.get("warm") else _run(request)
        sys.stdout.write(json.dumps(answer) + "\n")
        sys.stdout.flush()


def _warm_up(request: dict[str, Any]) -> dict[str, Any]:
    from memtool.cli.main import main

    os.chdir(request["cwd"])
    silent = io.StringIO()
    with contextlib.redirect_stdout(silent), contextlib.redirect_stderr(silent):
        try:
            main(request["arguments"])
        except SystemExit as end:
            return {"status": end.code}
    return {"status": 99}


def _run(request: dict[str, Any]) -> dict[str, Any]:
    place = Path(request["cwd"])
    names = {name: place.with_name(f"{place.name}.{name}") for name in ("out", "err", "log")}
    go_read, go_write = os.pipe()
    ready_read, ready_write = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(go_write)
        os.close(ready_read)
        _be_the_command(request["arguments"], place, names, go_read, ready_write)
    os.close(go_read)
    os.close(ready_write)
    # No call of the child's own preparation may be counted, or hit.
    os.read(ready_read, 1)
    os.close(ready_read)
    tracer = _attach(child, request, names["log"])
    with contextlib.suppress(BrokenPipeError):
        os.write(go_write, b"x")
    os.close(go_write)
    _, status = os.waitpid(child, 0)
    if tracer is not None:
        tracer.wait()
    texts = {}
    for name, path in names.items():
        texts[name] = path.read_text(errors="replace") if path.exists() else ""
        path.unlink(missing_ok=True)
    return {
        "status": os.waitstatus_to_exitcode(status),
        "stdout": texts["out"],
        "stderr": texts["err"],
        "log": texts["log"],
    }


def _attach(child: int, request: dict[str, Any], log: Path) -> subprocess.Popen[bytes] | None:
    """Let strace take hold of the child, which waits; without a fault to inject, do not."""
    if not request["inject"] and not request["trace"]:
        return None
    trace = request["trace"] or request["inject"].partition(":")[0]
    command = ["strace", "-q", "-f", "-o", str(log), "-p", str(child), "-e", f"trace={trace}"]
    if request["inject"]:
        command += ["-e", f"inject={request['inject']}"]
    tracer = subprocess.Popen(command, stdin=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    # It may be killed at the very call in which it waits; then strace is gone as well.
    while tracer.poll() is None:
        if b"TracerPid:\t0\n" not in Path(f"/proc/{child}/status").read_bytes():
            break
        time.sleep(0.001)
    return tracer


def _be_the_command(
    arguments: list[str], place: Path, names: dict[str, Path], go_read: int, ready_write: int
) -> None:
    from memtool.cli.main import main

    for descriptor, name in ((1, "out"), (2, "err")):
        opened = os.open(names[name], os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(opened, descriptor)
        os.close(opened)
    os.chdir(place)
    os.write(ready_write, b"x")
    # By a call that no command makes, so that it is never counted among theirs.
    waiting = select.poll()
    waiting.register(go_read)
    waiting.poll()
    status = 99
    try:
        main(arguments)
    except SystemExit as end:
        status = end.code if isinstance(end.code, int) else 98
    except BaseException as error:  # noqa: BLE001 - the parent reports it
        os.write(2, f"escaped: {error!r}\n".encode())
    sys.stdout.flush()
    os._exit(status)


if __name__ == "__main__":
    _serve()
