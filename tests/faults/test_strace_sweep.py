"""F17, F18 by strace; what the sweep in `test_strace_*` rests on.

Its runs are forks of one process, so that the many of them take minutes: here processes of
their own are shown to change the disk by the same calls.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from tests.command_line import ROOT
from tests.faults.bench import BLANKED, DONOR, assert_safe, job_kinds
from tests.faults.invariants import look_at_store
from tests.faults.sweep_by_strace import NAMED, STEPS, Step, Sweep
from tests.needs import needs

pytestmark = needs("strace")
CHANGING = (
    *("openat", "write", "pwrite64", "writev", "fsync", "fdatasync", "link", "linkat", "symlink"),
    *("unlink", "unlinkat", "rename", "renameat", "renameat2", "mkdir", "mkdirat", "rmdir"),
    *("ftruncate", "fchmod", "chmod", "fchmodat", "utimensat", "flock", "fadvise64"),
)


def changes_in(log: str) -> list[str]:
    """Calls that change something, with their words; numbers and digests differ by the run."""
    found = []
    for line in log.splitlines():
        match = re.match(r"(?:\d+ +)?(\w+)\(", line)
        if match is None:
            continue
        words = [re.sub(r"[0-9a-f]{6,}|\d+", "#", word) for word in re.findall('"[^"]*"', line)]
        if match[1] != "openat" or re.search("O_WRONLY|O_RDWR|O_CREAT|O_TMPFILE", line):
            found.append(" ".join([match[1], *words]))
    return found


@pytest.mark.parametrize("step", STEPS, ids=lambda step: step.name)
def test_a_process_of_its_own_changes_the_disk_by_the_same_calls(sweep: Sweep, step: Step) -> None:
    bench = sweep.fresh()
    forked = sweep.server.run(step.arguments(bench), cwd=bench, trace=",".join(CHANGING))
    bench, log = sweep.fresh(), sweep.root / "own.log"
    arguments = [sys.executable, "-m", "memtool", *step.arguments(bench)]
    with (sweep.root / "own.out").open("wb") as out, (sweep.root / "own.err").open("wb") as err:
        done = subprocess.run(
            ["strace", "-q", "-f", "-o", log, "-e", f"trace={','.join(CHANGING)}", *arguments],
            cwd=bench,
            env=os.environ | {"PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"},
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=err,
            timeout=60,
        )
    assert done.returncode in (0, 1)
    step.done(bench)
    changes = changes_in(forked.log)
    assert sum(change.startswith("fsync") for change in changes) >= 2
    assert changes_in(log.read_text()) == changes


def test_a_source_that_is_replaced_after_it_was_read_changes_nothing(sweep: Sweep) -> None:
    """F17: between the read and the write of the copy another file takes the path."""
    bench = sweep.fresh()
    outcome = run_with_window(
        sweep, NAMED["add"].arguments(bench), bench, "mkdir -p x; cp o1.bin x; mv x/o1.bin d1.bin"
    )
    assert outcome in (0, 1)
    seen = look_at_store(bench / "store")
    digests = {digest for digests in seen.backups.values() for digest in digests}
    assert len(digests) == 2, "the donor's and the original's, from before"
    NAMED["add"].done(bench)


def test_a_backup_that_vanishes_before_the_file_appears_stops_it(sweep: Sweep) -> None:
    """F18: the stored copy is deleted by another program in the middle of `blank`."""
    bench = sweep.fresh()
    arguments = NAMED["blank"].arguments(bench)
    assert run_with_window(sweep, arguments, bench, "rm -f store/files/*") == 5
    assert not (bench / "out.bin").exists()
    assert not list((bench / "job").rglob("to-write*"))
    assert "image-blanked" not in job_kinds(bench)


def run_with_window(sweep: Sweep, arguments: list[str], bench: Path, meanwhile: str) -> int:
    """Hold the first fsync for a second, and run a shell command in that time."""

    def change() -> None:
        subprocess.run(["sh", "-c", f"sleep 0.5; {meanwhile}"], cwd=bench, check=True)

    thread = threading.Thread(target=change)
    thread.start()
    outcome = sweep.server.run(arguments, cwd=bench, inject="fsync:delay_enter=1000000:when=1")
    thread.join()
    return outcome.status


def test_the_sweep_itself_sees_a_broken_output(sweep: Sweep) -> None:
    """The check of the checks: half a file under the final name is found."""
    bench = sweep.fresh()
    (bench / "out.bin").write_bytes(BLANKED[:100])
    with pytest.raises(AssertionError, match="not wholly there"):
        assert_safe(bench, "planted")
    (bench / "out.bin").unlink()
    copy = next((bench / "store" / "files").iterdir())
    copy.chmod(0o600)
    copy.write_bytes(DONOR[:10])
    with pytest.raises(AssertionError):
        assert_safe(bench, "planted")
