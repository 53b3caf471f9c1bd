"""The demo: its images are those of the fixed seed, and it plays to its end."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

from memtool.demo import (
    DONOR_VIN,
    SEAT_DONOR_VIN,
    SEAT_VEHICLE_VIN,
    VEHICLE_VIN,
    build_files,
)
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
    for vin in (VEHICLE_VIN, DONOR_VIN, SEAT_VEHICLE_VIN, SEAT_DONOR_VIN):
        assert vin[8] == digit_of(vin)


def test_demo_plays_both_jobs_to_their_reports(tmp_path: Path) -> None:
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
    said = "The customer file: "
    pages = [Path(line.removeprefix(said)) for line in lines if line.startswith(said)]
    for page, name, donor_vin in zip(
        pages, ("door", "seat"), (DONOR_VIN, SEAT_DONOR_VIN), strict=True
    ):
        assert_page_tells_what_was_written(page, name, donor_vin)


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
