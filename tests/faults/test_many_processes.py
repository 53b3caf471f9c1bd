"""F02, F13, F23, F40: twenty processes at once, a killed lock holder, clocks, environments."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from memtool.errors import StoreError
from memtool.store.backups import BackupStore
from memtool.store.journal import read_journal
from memtool.store.locking import hold_lock
from tests.command_line import ROOT, run_benchimage
from tests.faults.invariants import journal_lines, look_at_store, sha256
from tests.faults.scene import FIRST, SECOND, add, scratch
from tests.needs import needs

PROCESSES = 20
WORKER = """
import os, sys, time
from pathlib import Path
from memtool.store.backups import BackupStore
from memtool.store.journal import append_entry
from memtool.store.writing import write_new
from memtool.errors import RefusalError
from tests.faults.scene import TIME, add, invented_bytes, make_read
number, root = int(sys.argv[1]), Path(sys.argv[2])
(root / f"ready-{number}").touch()
while not (root / "go").exists():
    time.sleep(0.001)
store = BackupStore(root / "store", also=root / "also")
same, own = make_read(invented_bytes(0)), make_read(invented_bytes(number))
add(store, same)
entry = add(store, own, own)
assert store.require_receipt(entry.id).image_sha256 == own.sha256
assert all(item.result == "pass" for item in store.check())
append_entry(root / "journal.jsonl", kind="note", facts={"by": number}, time=TIME)
try:
    write_new(root / "one.bin", b"%d" % number)
    sys.stdout.write("won")
except RefusalError as error:
    sys.stdout.write(error.code)
"""


def environment() -> dict[str, str]:
    return os.environ | {"PYTHONPATH": str(ROOT)}


def test_twenty_processes_at_once_lose_nothing_and_win_once() -> None:
    with scratch() as root:
        workers = [
            subprocess.Popen(
                [sys.executable, "-c", WORKER, str(number), root],
                env=environment(),
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
            )
            for number in range(1, PROCESSES + 1)
        ]
        deadline = time.monotonic() + 60
        while len(list(root.glob("ready-*"))) < PROCESSES:
            assert time.monotonic() < deadline
            time.sleep(0.01)
        (root / "go").touch()
        said = []
        for worker in workers:
            out, err = worker.communicate(timeout=90)
            assert worker.returncode == 0, err
            said.append(out)
        assert sorted(said) == ["output-exists"] * (PROCESSES - 1) + ["won"]
        for name in ("store", "also"):
            assert len(look_at_store(root / name).backups) == PROCESSES + 1
            lines, rest = journal_lines(root / name / "journal.jsonl")
            assert (len(lines), rest) == (PROCESSES + 1, b"")
        noted = [entry.facts["by"] for entry in read_journal(root / "journal.jsonl")]
        assert sorted(noted) == list(range(1, PROCESSES + 1))
        both = BackupStore(root / "store", also=root / "also")
        assert all(item.result == "pass" for item in both.check())


HOLDER = """
import sys, time
from pathlib import Path
from memtool.store.locking import hold_lock
with hold_lock(Path(sys.argv[1])):
    sys.stdout.write("held\\n")
    sys.stdout.flush()
    time.sleep(60)
"""


def test_a_killed_holder_frees_the_lock_at_once(tmp_path: Path) -> None:
    """F02."""
    store = BackupStore(tmp_path / "store")
    add(store, FIRST)
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER, tmp_path / "store" / "lock"],
        env=environment(),
        stdout=subprocess.PIPE,
        text=True,
    )
    assert holder.stdout is not None
    assert holder.stdout.readline() == "held\n"
    with pytest.raises(StoreError) as caught, hold_lock(tmp_path / "store" / "lock", seconds=0.1):
        pass
    assert caught.value.code == "locked"
    holder.send_signal(signal.SIGKILL)
    holder.wait()
    holder.stdout.close()
    # Without any waiting.
    with hold_lock(tmp_path / "store" / "lock", seconds=0):
        pass
    add(store, SECOND)


def add_by_command(bench: Path, number: int, *prefix: str, **more: str) -> int:
    path = bench / f"{number}.bin"
    path.write_bytes(bytes([number]) * 64)
    done = subprocess.run(
        [
            *(*prefix, sys.executable, "-m", "memtool", "backup", "add", path.name),
            *("--role", "donor", "--chip", "24C02", "--store", "store", "--json"),
        ],
        cwd=bench,
        env=environment() | more,
        capture_output=True,
        text=True,
    )
    assert "Traceback" not in done.stderr, done.stderr
    return done.returncode  # 1 after a success: it is kept, and said to be filler.


@needs("faketime")
def test_the_order_survives_every_clock(tmp_path: Path) -> None:
    """F23, by the command: back, forward, the same second, 1970 and 2100."""
    clocks = [
        *("2026-03-29 01:59:59", "2001-01-01 00:00:00", "2099-12-31 23:59:59"),
        *("1970-01-02 00:00:00", "2026-10-25 02:30:00", "2026-10-25 02:30:00"),
    ]
    for number, clock in enumerate(clocks, 1):
        assert add_by_command(tmp_path, number, "faketime", "-f", f"@{clock}") == 1
    done = run_benchimage("backup", "list", "--json", "--store", "store", cwd=tmp_path)
    backups = json.loads(done.stdout)["backups"]
    assert [entry["files"][0]["name"] for entry in backups] == [f"{n}.bin" for n in range(1, 7)]
    assert backups[2]["added"] > "2099"
    check = run_benchimage("backup", "check", "--store", "store", cwd=tmp_path)
    assert check.returncode == 0, check.stdout


@pytest.mark.parametrize(
    "more",
    [
        {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"},
        {"PYTHONOPTIMIZE": "2"},
        {"TZ": "Pacific/Kiritimati"},
        {"HOME": "/proc/nowhere", "XDG_DATA_HOME": "/proc/nowhere"},
        {"PYTHONDONTWRITEBYTECODE": "1", "PYTHONWARNINGS": "error::BytesWarning"},
    ],
    ids=["locale C", "without assert", "zone", "no home", "bytes warnings"],
)
def test_the_environment_changes_nothing(tmp_path: Path, more: dict[str, str]) -> None:
    """F40."""
    assert add_by_command(tmp_path, 7, **more) == 1
    assert list(look_at_store(tmp_path / "store").backups.values()) == [(sha256(b"\7" * 64),)]


def test_a_name_that_is_no_utf_8_is_kept_and_shown_escaped(tmp_path: Path) -> None:
    """F26, F40."""
    name = os.fsdecode(b"dump \xff\x1b[31m.bin")
    (tmp_path / name).write_bytes(FIRST.data)
    done = run_benchimage(
        *("backup", "add", name, "--role", "donor", "--chip", "24C04", "--store", "store"),
        cwd=tmp_path,
        LC_ALL="C",
    )
    assert done.returncode == 0, done.stderr
    assert "\x1b" not in done.stdout + done.stderr
    listed = run_benchimage("backup", "list", "--store", "store", cwd=tmp_path)
    assert "\x1b" not in listed.stdout
    assert "\\x1b" in listed.stdout


def test_an_unwritable_home_is_told(tmp_path: Path) -> None:
    """F40: the user's own store cannot be made."""
    (tmp_path / "7.bin").write_bytes(b"x" * 64)
    done = run_benchimage(
        *("backup", "add", "7.bin", "--role", "donor", "--chip", "24C02"),
        cwd=tmp_path,
        HOME="/proc/nowhere",
        XDG_DATA_HOME="/proc/nowhere",
        BENCHIMAGE_STORE="",
    )
    assert done.returncode == 5
    assert "--store" in done.stderr
