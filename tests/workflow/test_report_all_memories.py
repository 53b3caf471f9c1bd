"""The report of a module with two memories, and of the routes on which nothing is blanked."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from tests.build import blanked_memory
from tests.command_line import parse_document
from tests.workflow.jobs import DONOR, ORIGINAL, Bench
from tests.workflow.two_memories import FLASH_DONOR, FLASH_ORIGINAL, blanked_flash, start_two

COUNTER = ("--reason", "counter", "--confirm", "042788")


def facts(bench: Bench) -> dict[str, Any]:
    """The report's own JSON file."""
    done = bench.in_job("report", "--no-pdf", "--json")
    document = parse_document(done, "report")
    path = max((bench.job / "reports").glob("*.json"), key=lambda each: each.stat().st_mtime_ns)
    found: dict[str, Any] = json.loads(path.read_text())
    assert document
    return found


def texts(report: dict[str, Any]) -> str:
    return " ".join(line["text"] for line in report["proof"])


def test_each_memory_has_its_section_and_its_stages(tmp_path: Path) -> None:
    bench = start_two(tmp_path / "bench")
    done = bench.in_job("blank", "donor", "--keep", "24c02=0x40+4", *COUNTER)
    assert done.returncode == 0, done.stderr
    bench.write("back.bin", blanked_memory(DONOR))
    bench.write("flash-back.bin", blanked_flash(FLASH_DONOR))
    bench.in_job("check")
    assert bench.in_job("check", "back.bin", "flash-back.bin").returncode == 0
    report = facts(bench)
    assert [chip["chip"] for chip in report["chips"]] == ["24C02", "2K"]
    assert [change["chip"] for change in report["changes"]] == ["24C02", "2K"]
    assert {stage["chip"] for stage in report["stages"]} == {"24C02", "2K"}


def test_bytes_are_counted_of_the_file_that_the_module_holds_not_of_superseded_ones(
    started: Bench,
) -> None:
    keep = ("--keep", "0x40+4", *COUNTER)
    assert started.in_job("blank", "donor", *keep).returncode == 0
    assert started.in_job("blank", "donor", *keep, "--configuration").returncode == 0
    report = facts(started)
    (change,) = report["changes"]
    assert any(edit["reason"] == "options" for edit in change["edits"])


def test_a_memory_equal_in_both_modules_is_named_and_asked_nothing(tmp_path: Path) -> None:
    bench = start_two(tmp_path / "bench", flash_donor=FLASH_ORIGINAL, layout=False)
    keep = ("--keep", "0x40+4", *COUNTER)
    assert bench.in_job("blank", "donor/24c02", *keep).returncode == 0
    report = facts(bench)
    assert "2K is not part of this job: it is equal in both modules" in texts(report)
    assert {stage["chip"] for stage in report["stages"]} == {"24C02"}
    assert not any("2K" in point and "was not made" in point for point in report["open_points"])


def test_the_originals_chip_on_the_donors_board_is_a_route_of_its_own(started: Bench) -> None:
    started.write("other.bin", DONOR)
    done = started.in_job("check", "other.bin", "--stage", "after-writing", "--json")
    assert parse_document(done, "error")["code"] == "no-to-write"
    started.write("moved.bin", ORIGINAL)
    done = started.in_job("check", "moved.bin", "--stage", "after-writing", "--json")
    document = parse_document(done, "check")
    assert (done.returncode, document["verdict"]) == (0, "pass")
    assert document["checks"][0]["code"] == "route"
    report = facts(started)
    assert "No file to program was made by this job." not in report["open_points"]
    # From now on the job is about the original's own content.
    done = started.in_job("check", "other.bin", "--stage", "after-writing", "--json")
    assert parse_document(done, "check")["verdict"] == "fail"
