"""No command opens a socket: the whole demo under strace, in a folder of a hostile name."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

from tests.command_line import ROOT
from tests.hostile.at_terminal import faults_of
from tests.needs import needs

needs_strace = needs("strace")
HOSTILE = "\x1b[35;45mEVIL\x9b2J\u202e\nEVIL-LINE"


def network_calls_of(place: Path, *command: str | Path) -> tuple[int, str, list[str]]:
    """Exit status, stdout, and every call of the network's kind, all child processes included."""
    log = place / "calls.log"
    done = subprocess.run(
        [
            "strace",
            "--seccomp-bpf",
            "-f",
            "-qq",
            "-e",
            "trace=%network",
            "-o",
            log,
            sys.executable,
            *command,
        ],
        cwd=place,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=500,
    )
    # A line without a bracket is about a signal or the end of a process.
    calls = [line for line in log.read_text().splitlines() if re.search(r"^\d+ +\w+\(", line)]
    return done.returncode, done.stdout + done.stderr, calls


@needs_strace
def test_the_whole_demo_makes_no_call_of_the_networks_kind(tmp_path: Path) -> None:
    """Not even a local socket; and the demo's folder has a name that would act on a terminal."""
    status, shown, calls = network_calls_of(tmp_path, "-m", "memtool", "demo", f"demo {HOSTILE}")
    assert status == 0, shown[-2000:]
    assert calls == []
    assert shown.count("$ benchimage ") >= 20
    assert faults_of(shown) == []


@needs_strace
def test_the_trace_itself_sees_a_socket(tmp_path: Path) -> None:
    code = "import socket; socket.socket(socket.AF_UNIX).close()"
    assert network_calls_of(tmp_path, "-c", code)[2]


def test_nothing_of_ours_imports_a_socket() -> None:
    """Nor the libraries that speak over one; the desk's screens run in the loop of asyncio."""
    names = ["socket", "ssl", "http", r"urllib\.request", "ftplib", "smtplib", "asyncio"]
    for path in (ROOT / "memtool").rglob("*.py"):
        forbidden = names[:-1] if path.parent.name == "desk" else names
        speaking = re.compile(rf"^\s*(?:import|from) +(?:{'|'.join(forbidden)})\b", re.MULTILINE)
        assert not speaking.search(path.read_text(encoding="utf-8")), path
