"""F01, F03, F05, F06, F07, F08 by the real system: `strace` kills and fails real processes.

Every file call of `backup add`, `blank`, a journal append and `backup restore` is killed at;
every call that changes the disk fails. All other errors at all calls: `sweep_by_strace.py`.
"""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faults.bench import BLANKED, DONOR, assert_safe, job_kinds
from tests.faults.invariants import look_at_store
from tests.faults.strace_server import CHANGING_CALLS
from tests.faults.sweep_by_strace import KILL, STEPS, Step, Sweep, sweeping

pytestmark = pytest.mark.skipif(
    sys.platform != "linux" or shutil.which("strace") is None, reason="needs strace"
)
by_step = pytest.mark.parametrize("step", STEPS, ids=lambda step: step.name)
NAMED = {step.name: step for step in STEPS}


@pytest.fixture(scope="module")
def sweep() -> Iterator[Sweep]:
    with sweeping() as made:
        yield made


@by_step
def test_a_kill_at_every_file_call_leaves_all_or_nothing(sweep: Sweep, step: Step) -> None:
    for call, count in sweep.calls_of(step).items():
        hits = 0
        for position in range(1, count + 1):
            hits += sweep.hit(step, call, position, KILL).status == -signal.SIGKILL
        assert hits >= count - 1, f"{call}: {hits} of {count}"


@by_step
def test_an_error_at_every_changing_call_is_told_and_leaves_nothing(
    sweep: Sweep, step: Step
) -> None:
    for call, count in sweep.calls_of(step).items():
        if call in CHANGING_CALLS:
            for position in range(1, count + 1):
                assert sweep.hit(step, call, position, "error=EIO").was_hit


@by_step
@pytest.mark.parametrize("fault", ["retval=100", "poke_enter=@arg2=ff"], ids=["lie", "corrupt"])
def test_a_write_that_lies_or_corrupts_is_found(sweep: Sweep, step: Step, fault: str) -> None:
    for position in range(1, sweep.calls_of(step)["write"] + 1):
        sweep.hit(step, "write", position, fault)


def test_sigint_at_every_changing_call_ends_with_130(sweep: Sweep) -> None:
    """F04. The signal comes before the call; Python acts on it after the call."""
    step = NAMED["add"]
    for call, count in sweep.calls_of(step).items():
        if call not in CHANGING_CALLS:
            continue
        for position in range(1, count + 1):
            bench = sweep.fresh()
            inject = f"{call}:signal=INT:when={position}"
            outcome = sweep.server.run(step.arguments(bench), cwd=bench, inject=inject)
            assert outcome.status in (0, 130), f"{inject}: {outcome.stderr}"
            assert "Traceback" not in outcome.stderr
            seen = look_at_store(bench / "store")
            assert not seen.torn_files
            assert not seen.torn_records
            again = sweep.server.run(step.arguments(bench), cwd=bench)
            assert again.status == 0
            step.done(bench)


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
