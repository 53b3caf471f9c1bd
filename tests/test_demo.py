"""The demo: its images are those of the fixed seed, and it plays to its end."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

from memtool.core.job.job import build_job
from memtool.core.job.next_action import find_next
from memtool.demo import build_files, door, seat, tailgate
from memtool.store.journal import read_journal
from memtool.workflow.demo import TAILGATE_JOB, list_steps
from tests.command_line import ROOT
from tests.vin_reference import digit_of


def test_committed_images_are_those_of_the_seed() -> None:
    built = build_files()
    committed = {
        path.name: path.read_bytes()
        for path in (ROOT / "test_images").iterdir()
        if path.suffix != ".md"
    }
    assert committed.keys() == built.keys()
    for name, data in built.items():
        assert committed[name] == data, name


def test_invented_vins_have_their_check_digit() -> None:
    own = (door.VEHICLE_VIN, door.DONOR_VIN, seat.VEHICLE_VIN, seat.DONOR_VIN)
    for vin in (*own, tailgate.VEHICLE_VIN, tailgate.DONOR_VIN):
        assert vin[8] == digit_of(vin)


def test_demo_plays_its_jobs_to_their_reports(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "memtool", "demo", "play"],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=300,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    lines = done.stdout.splitlines()
    commands = [line for line in lines if line.startswith("$ benchimage ")]
    assert len(commands) >= 20
    assert_the_rest_is_in_the_file(lines, tmp_path / "play" / "transcript.txt")
    said = "The customer file: "
    pages = [Path(line.removeprefix(said)) for line in lines if line.startswith(said)]
    assert len(pages) == 3
    for page, name, donor_vin in zip(
        pages, ("door", "seat"), (door.DONOR_VIN, seat.DONOR_VIN), strict=False
    ):
        assert_page_tells_what_was_written(page, name, donor_vin)
    assert_both_memories_were_done(pages[2])
    assert [steps_of(page.parent.parent) for page in pages] == list(STEPS)


STEPS = (
    ("DECIDE", "BLANK", "CHECK_FILE", "PROGRAM", "SET_UP", "REPORT", "DONE"),
    ("REVIEW", "BLANK", "CHECK_FILE", "PROGRAM", "SET_UP", "DECIDE", "REPORT", "DONE"),
    ("CHECK_DONOR", "DECIDE", "CHECK_FILE", "PROGRAM", "SET_UP", "DECIDE", "DONE"),
)
"""What each job has next, as its journal grows; the demo decides one point alone."""
ENDS = {
    *("stage-checked", "image-blanked", "command-run", "decision-made", "note"),
    "report-written",
}
"""Entries that end what a command does to one memory."""


def assert_the_rest_is_in_the_file(lines: list[str], path: Path) -> None:
    """About three screens of 24 rows a job are shown; the file that is named has every line."""
    assert len(lines) <= 3 * 3 * 24 + 24
    assert any(line.endswith(str(path)) for line in lines)
    whole = path.read_text(encoding="utf-8").splitlines()
    assert len(whole) > 2 * len(lines)
    for line in lines:
        if line.startswith(("Verdict:", "Written and read back", "The customer file")):
            assert line in whole
    for told in ("Next:", "To program:", "Where the VINs are", "(17 bytes)"):
        assert any(told in line for line in whole), told
    assert whole.count("Cautions") == 3  # Once a job.


def steps_of(job: Path) -> tuple[str, ...]:
    """The next steps of a job as its journal grows, each told once while it stays."""
    entries = read_journal(job / "journal.jsonl")
    found: list[str] = []
    for number, entry in enumerate(entries, 1):
        step = find_next(build_job(entries[:number])).kind.name
        if entry.kind in ENDS and [step] != found[-1:]:
            found.append(step)
    return tuple(found)


def assert_both_memories_were_done(page: Path) -> None:
    """The third job: what the reader is given to write is in the reader's own order."""
    files = page.parent.parent / "files"
    for made, wanted in (("eeprom", "eeprom"), ("data-flash", "flash")):
        written = (files / f"to-write-{made}-1.bin").read_bytes()
        assert written == (ROOT / "test_images" / f"tailgate-read-back-{wanted}.bin").read_bytes()
    facts = json.loads(page.with_suffix(".json").read_text())
    assert facts["result"].startswith("The module is configured for this vehicle")
    assert [chip["chip"] for chip in facts["chips"]] == ["data-flash", "eeprom"]
    assert {module["reads"] for module in facts["modules"]} == {2, 3}
    assert all(
        item["result"] == "pass"
        for chip in facts["chips"]
        for item in chip["setup"]
        if item["name"]
    )
    assert tailgate.DONOR_VIN not in page.read_text() + page.with_suffix(".json").read_text()


ALLOWED = {
    *("--job", "--memory", "--layout", "--original", "--donor", "--confirm"),
    *("--work-order", "--customer", "--vehicle-vin", "--module-kind", "--authority", "--complaint"),
    *("--original-part", "--donor-part", "--donor-source", "--technician"),
}
"""Files, names and reasons."""


def test_the_third_job_needs_start_blank_four_checks_and_a_report() -> None:
    steps = [step for step in list_steps() if TAILGATE_JOB in (*step.arguments, step.folder)]
    assert [step.arguments[0] for step in steps] == [
        *("start", "check", "blank", "check", "check", "check", "report"),
    ]
    options = {word for step in steps for word in step.arguments if word.startswith("--")}
    assert options <= ALLOWED


def assert_page_tells_what_was_written(page: Path, name: str, donor_vin: str) -> None:
    written = next((page.parent.parent / "files").glob("to-write-*.bin")).read_bytes()
    assert written == (ROOT / "test_images" / f"{name}-read-back.bin").read_bytes()
    facts = json.loads(page.with_suffix(".json").read_text())
    assert facts["result"].startswith("The module is configured for this vehicle")
    changed = bytearray((ROOT / "test_images" / f"{name}-donor-1.bin").read_bytes())
    for edit in facts["changes"][0]["edits"]:
        changed[edit["start"] : edit["end"]] = bytes.fromhex(edit["new"])
    assert hashlib.sha256(changed).hexdigest() == facts["changes"][0]["sha256"]
    assert donor_vin not in page.read_text() + page.with_suffix(".json").read_text()


def test_demo_refuses_a_folder_that_is_not_empty(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    done = subprocess.run(
        [sys.executable, "-m", "memtool", "demo", str(tmp_path)],
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 3
    assert {path.name for path in tmp_path.iterdir()} == {"mine.txt"}
