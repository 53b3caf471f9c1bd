"""`compare` and `vin` inside a job: its images by name, and a line in its journal."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.command_line import parse_document, run_benchimage

# Published worked VINs: 49 CFR 565.15 Table VI; Wikipedia, vehicle identification number.
VIN_A, VIN_B = "1G4AH59H45G118341", "1M8GDM9AXKP042788"
ORDER = {
    "work-order": "1",
    "vehicle-vin": VIN_A,
    "module-kind": "body",
    "authority": "the owner, in writing",
    "complaint": "doors",
    "original-part": "A-1",
    "donor-part": "A-1",
    "donor-source": "shelf",
    "technician": "N. N.",
    "chip": "24C02",
    "single-read": "invented",
}


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A job whose original and donor differ in their VINs alone."""
    for name, vin in (("original", VIN_A), ("donor", VIN_B)):
        data = bytearray(b"\xff" * 256)
        data[0x20:0x31] = vin.encode()
        data[0x80:0xC0] = bytes(range(64))
        (tmp_path / f"{name}.bin").write_bytes(data)
    options = [word for name, value in ORDER.items() for word in (f"--{name}", value)]
    reads = ["--original", "original.bin", "--donor", "donor.bin"]
    started = run_benchimage(
        "start", "--job", "job", "--store", "store", *reads, *options, cwd=tmp_path
    )
    assert (tmp_path / "job" / "journal.jsonl").is_file(), started.stderr
    return tmp_path / "job"


def last_entry(job: Path) -> dict[str, Any]:
    lines = (job / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    entry: dict[str, Any] = json.loads(lines[-1])
    return entry


def test_compare_takes_the_jobs_images_by_name_and_is_recorded(job: Path) -> None:
    done = run_benchimage("compare", "original", "donor", "--json", "--store", "../store", cwd=job)
    document = parse_document(done, "compare")
    assert done.returncode == 1
    assert document["differing_bytes"] == sum(x != y for x, y in zip(VIN_A, VIN_B, strict=True))
    entry = last_entry(job)
    assert entry["kind"] == "command-run"
    assert entry["facts"]["command"] == "compare"
    assert entry["facts"]["details"]["differing_bytes"] == document["differing_bytes"]
    assert len(entry["files"]) == 2


def test_job_is_named_from_elsewhere(job: Path) -> None:
    done = run_benchimage(
        "compare", "donor", "donor", "--job", "job", "--store", "store", cwd=job.parent
    )
    assert done.returncode == 0
    assert last_entry(job)["facts"]["details"]["equal"] is True


def test_name_without_a_backup_in_the_job_is_wrong_usage(job: Path) -> None:
    done = run_benchimage("compare", "donor", "reference", "--store", "../store", cwd=job)
    assert done.returncode == 2
    assert "reference" in done.stderr


def test_vin_is_recorded_in_the_job(job: Path) -> None:
    assert run_benchimage("vin", VIN_A, cwd=job).returncode == 0
    facts = last_entry(job)["facts"]
    assert facts["command"] == "vin"
    assert facts["details"] == {"texts": [VIN_A], "speaks_against": False}
