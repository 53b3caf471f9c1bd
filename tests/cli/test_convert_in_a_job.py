"""`convert` inside a job: its images by name, and a line in its journal."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from tests.command_line import parse_document, run_benchimage
from tests.formats.hex_lines import ihex_file

# Published worked VIN: 49 CFR 565.15 Table VI.
ORDER = {
    "work-order": "1",
    "vehicle-vin": "1G4AH59H45G118341",
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
DATA = bytes(range(256))


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A job whose donor was read as Intel HEX."""
    (tmp_path / "original.bin").write_bytes(DATA[::-1])
    (tmp_path / "donor.hex").write_bytes(ihex_file([(0, DATA)]))
    options = [word for name, value in ORDER.items() for word in (f"--{name}", value)]
    reads = ["--original", "original.bin", "--donor", "donor.hex"]
    started = run_benchimage(
        "start", "--job", "job", "--store", "store", *reads, *options, cwd=tmp_path
    )
    assert (tmp_path / "job" / "journal.jsonl").is_file(), started.stderr
    return tmp_path / "job"


def test_convert_takes_the_jobs_image_by_name_and_is_recorded(job: Path) -> None:
    arguments = ["convert", "donor", "../donor.bin", "--to", "raw", "--json"]
    done = run_benchimage(*arguments, "--store", "../store", cwd=job)
    document = parse_document(done, "convert")
    assert done.returncode == 0
    assert (job.parent / "donor.bin").read_bytes() == DATA
    assert document["format"] == "intel-hex"
    lines = (job / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    entry = json.loads(lines[-1])
    assert entry["facts"]["command"] == "convert"
    digests = [item["sha256"] for item in entry["files"]]
    assert hashlib.sha256(DATA).hexdigest() in digests
    assert hashlib.sha256((job.parent / "donor.hex").read_bytes()).hexdigest() in digests
