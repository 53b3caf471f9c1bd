"""The desk in a real terminal: it opens, works, ends, breaks and is interrupted."""

from __future__ import annotations

import os
import re
import signal
import sys
import time
from pathlib import Path

import pytest

from memtool.demo.door import DONOR_VIN, VEHICLE_VIN
from memtool.workflow.jobs import open_job
from tests.command_line import ROOT
from tests.desk.sitting import IMAGES, put_reads, touch
from tests.desk.tmux import open_terminal
from tests.hostile.forked import run_forked

if sys.platform != "win32":
    import pexpect

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pexpect has no terminal there")
ENTER, F1, ESCAPE, CTRL_Q, CTRL_C = "\r", "\x1bOP", "\x1b", "\x11", "\x03"
LEFT = "\x1b[?1049l"
"""What a terminal is told when the screen of before is to come back (xterm's control sequences)."""
BREAK_HELP = """
from memtool.cli.main import main
from memtool.desk.home import HomeScreen
def broken(self):
    raise RuntimeError("secret of a customer")
HomeScreen.action_help = broken
main(["desk"])
"""


def start_job(bench: Path) -> None:
    """A job with its reads and its layout."""
    put_reads(bench, "door")
    reads = [f"door-{role}-{number}" for role in ("original", "donor") for number in (1, 2)]
    names = [next(path.name for path in bench.glob(f"{read}.*")) for read in reads]
    given = [part for name in names for part in (f"--{name.split('-')[1]}", name)]
    done = run_forked(
        [
            *("start", "--job", "order-7", "--store", "store", "--layout", "door.toml", *given),
            *("--reseated", "--work-order", "7", "--vehicle-vin", VEHICLE_VIN),
            *("--module-kind", "body", "--authority", "registration seen", "--technician", "RA"),
        ],
        cwd=bench,
    )
    assert done.status == 0, done.stderr


def open_desk(bench: Path, *arguments: str) -> pexpect.spawn:
    """The command in a terminal of 100 by 30."""
    return spawn(bench, ["-m", "memtool", *arguments])


def spawn(bench: Path, arguments: list[str]) -> pexpect.spawn:
    return pexpect.spawn(
        sys.executable,
        arguments,
        cwd=str(bench),
        env={
            **os.environ,
            "PYTHONPATH": str(ROOT),
            "TERM": "xterm-256color",
            "BENCHIMAGE_STORE": str(bench / "store"),
        },
        dimensions=(30, 100),
        timeout=60,
        encoding="utf-8",
    )


def ended(child: pexpect.spawn) -> tuple[int | None, str]:
    """Exit status, and what was said after the terminal was given back."""
    child.expect(pexpect.EOF)
    said = child.before
    child.close()
    return child.exitstatus, re.sub(r"\x1b\[[0-9;?>=]*[A-Za-z]", "", said.rpartition(LEFT)[2])


def test_the_normal_job_is_done_in_a_real_terminal_from_the_jobs_to_the_report(
    bench: Path,
) -> None:
    """Nothing is pressed before the screen says what the person waits for."""
    put_reads(bench, "door")
    with open_terminal(bench) as desk:
        desk.until("No job yet")
        desk.press("F2")
        for question, answer in (
            ("Work order number", "1042"),
            ("Customer", ""),
            ("Registration plate", ""),
            ("VIN of the vehicle", VEHICLE_VIN),
            *(("Kind of module", ""), ("What else does this module hold", "")),
            ("Proof of ownership", "registration seen"),
            *(("Complaint", ""), ("original module", ""), ("donor module", "")),
            *(("Where the donor came from", ""), ("Technician", "RA")),
        ):
            desk.until(question)
            desk.type(answer)
            desk.until(answer)
            desk.press("Enter")
        desk.until("door-donor-1.bin", "Back them up")
        for keys, name in (
            *((("d",), "donor-1.bin"), (("d",), "donor-2.hex")),
            *((("Down", "o"), "original-1.bin"), (("o",), "original-2.bin")),
        ):
            desk.press(*keys)
            desk.until(f"door-{name} 2,048")
        desk.press("Down", "l")
        desk.until("Layout: door.toml")
        desk.press("Enter")
        desk.until("Was the clip removed")
        desk.press("Enter")
        desk.until("You can go on.")
        desk.press("Enter")
        desk.until("Next: check the donor")
        desk.press("Enter")
        desk.until("some points are open")
        desk.press("Enter")
        desk.until("Next: you decide")
        desk.press("Enter")
        desk.until("What do you decide, and why?")
        desk.type("serials must differ")
        desk.press("Enter")
        desk.until("Next: remove the old identity")
        desk.press("Enter")
        desk.until("Confirm and write", "ignition cycles")
        desk.press("C-End", "k")
        desk.until("Why does 0x0200-0x0203 stay?")
        desk.type("usage")
        desk.press("Enter")
        desk.until("kept")
        desk.press("Enter")
        desk.until("last six")
        desk.type(DONOR_VIN[-6:])
        desk.press("Enter")
        desk.until("1 file written")
        desk.press("Enter")
        desk.until("Next: check the file to program")
        desk.press("Enter")
        desk.until("Verdict: pass")
        for name in ("read-back", "finished"):
            desk.press("Enter")
            desk.until("Next: ")
            touch(bench / f"door-{name}.bin")
            desk.press("Enter")
            desk.until("Take it", f"door-{name}.bin")
            desk.press("Enter")
            desk.until("Verdict: pass")
        desk.press("Enter")
        desk.until("Next: write the report")
        desk.press("Enter")
        desk.until("Customer's copy", "The module is configured for this vehicle")
        desk.press("Enter")
        desk.until("no screen or no viewer", "Go on")
        desk.press("Enter")
        desk.until("Next: nothing;")
        desk.press("C-q")
        assert desk.until_ended() == 0
        assert desk.keys < 120
    job = bench / "order-1042"
    opened = open_job(job)
    assert [check.verdict.value for check in opened.job.stage_checks][1:] == ["pass"] * 3
    made = job / "files" / "to-write-95160-1.bin"
    assert made.read_bytes() == (IMAGES / "door-read-back.bin").read_bytes()
    assert list((job / "reports").glob("report-1.*"))


def test_bare_at_a_terminal_it_opens_and_does_a_step_of_the_job(bench: Path) -> None:
    start_job(bench)
    child = open_desk(bench)
    child.expect("check the donor")
    child.send(ENTER)
    child.expect("Donor fits")
    child.send(ENTER)
    child.expect("some points are open")
    child.send(ENTER)
    child.expect("you decide")
    child.send(CTRL_Q)
    status, said = ended(child)
    assert status == 0
    assert said.strip() == ""
    assert open_job(bench / "order-7").job.stage_checks


def test_what_breaks_it_is_one_sentence_on_a_terminal_as_before(bench: Path) -> None:
    child = spawn(bench, ["-c", BREAK_HELP])
    child.expect("No job yet")
    child.send(F1)
    status, said = ended(child)
    assert status == 70
    assert "(RuntimeError)" in said
    assert "--debug" in said
    assert "Traceback" not in said
    assert "secret" not in said
    assert len(said.strip().splitlines()) <= 4


@pytest.mark.parametrize("way", ["key", "signal"])
def test_an_interrupt_ends_it_with_the_status_of_every_command(bench: Path, way: str) -> None:
    child = open_desk(bench, "desk")
    child.expect("No job yet")
    time.sleep(0.2)
    if way == "key":
        child.send(CTRL_C)
    else:
        child.kill(signal.SIGINT)
    status, said = ended(child)
    assert status == 130
    assert "Traceback" not in said


@pytest.mark.parametrize("arguments", [[], ["desk"]])
def test_without_a_terminal_it_says_so(bench: Path, arguments: list[str]) -> None:
    done = run_forked(arguments, cwd=bench)
    assert done.status == 2
    assert done.stdout == ""
    assert "benchimage" in done.stderr


def test_a_terminal_that_cannot_draw_is_refused(bench: Path) -> None:
    child = pexpect.spawn(
        sys.executable,
        ["-m", "memtool", "desk"],
        cwd=str(bench),
        env={"PYTHONPATH": str(ROOT), "TERM": "dumb", "PATH": "/usr/bin:/bin", "HOME": str(bench)},
        timeout=60,
        encoding="utf-8",
    )
    child.expect("the desk needs a terminal that it can draw on")
    assert ended(child)[0] == 2


@pytest.mark.parametrize("delay", [0.0, 0.08])
def test_an_interrupt_in_the_middle_of_writing_leaves_all_or_nothing(
    job: Path, delay: float
) -> None:
    child = open_desk(job.parent, "desk", job.name)
    child.expect("May it go on")
    child.send("b")
    child.expect("Confirm and write")
    child.expect("Plan")
    child.send(ENTER)
    child.expect("last six")
    child.send(DONOR_VIN[-6:] + ENTER)
    time.sleep(delay)
    child.send(CTRL_C)
    assert ended(child)[0] == 130
    told = open_job(job).job
    known = {made.copy for made in told.blankings}
    announced = {file.path for intent in told.unfinished for file in intent.files}
    for path in (job / "files").glob("to-write-*"):
        name = path.relative_to(job).as_posix()
        assert any(name in each for each in known | announced), name
    again = run_forked(
        [
            *("blank", "donor", "--job", job.name),
            *("--confirm", DONOR_VIN[-6:], "--store", "store"),
        ],
        cwd=job.parent,
    )
    assert again.status == 0, again.stderr
    assert open_job(job).job.unfinished == ()
