"""F39: stdout or stderr is full, closed, or a pipe whose reader is gone."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.command_line import ROOT
from tests.faults.invariants import look_at_store, sha256

DATA = bytes(range(256))
COMMANDS = [
    "vin 1G4AH59H45G118341",
    "vin --json 1G4AH59H45G118341",
    "--help",
    "backup add dump.bin --role donor --chip 24C02 --store store",
    "backup add dump.bin --role donor --chip 24C02 --store store --json",
]


def run_shell(command: str, cwd: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["bash", "-c", f"set -o pipefail; '{sys.executable}' -m memtool {command}"],
        cwd=cwd,
        env=os.environ | {"PYTHONPATH": str(ROOT)} | environment,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
    )


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("where", [">/dev/full", ">&-", "| true", ">/dev/full 2>/dev/full"])
@pytest.mark.parametrize("unbuffered", ["", "1"], ids=["buffered", "unbuffered"])
def test_an_answer_that_reaches_nobody_is_no_success(
    tmp_path: Path, command: str, where: str, unbuffered: str
) -> None:
    """Python ends with 120 where its own flush at exit fails, and buffers if nobody forbids it."""
    (tmp_path / "dump.bin").write_bytes(DATA)
    if where == "| true":
        where = "| (exec <&-; sleep 1.5)"
    done = run_shell(f"{command} {where}", tmp_path, PYTHONUNBUFFERED=unbuffered)
    assert done.returncode == 5, done.stderr
    assert "Traceback" not in done.stderr
    assert "internal error" not in done.stderr
    if command.startswith("backup"):
        assert [(sha256(DATA),)] == list(look_at_store(tmp_path / "store").backups.values())


@pytest.mark.parametrize("where", ["2>/dev/full", "2>&-"])
def test_without_stderr_the_answer_is_whole(tmp_path: Path, where: str) -> None:
    done = run_shell(f"vin --json 1G4AH59H45G118341 {where}", tmp_path)
    assert done.returncode == 0
    assert json.loads(done.stdout)["vins"]
