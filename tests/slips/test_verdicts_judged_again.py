"""What a verdict rests on changes: it is judged again at once, or it is out of date."""

from __future__ import annotations

from typing import Any

import pytest

from tests.build import VEHICLE_VIN, blanked_memory, module_memory
from tests.command_line import parse_document
from tests.workflow.jobs import DONOR, KEEP, Bench

FINISHED = module_memory(VEHICLE_VIN, options=bytes(16), starts=4720)
OTHER_VIN = "5GZCZ43D13S812715"
"""A worked example of the published check digit: J. D. Cook, 2022-09-04."""


@pytest.fixture
def finished(blanked: Bench) -> Bench:
    """Every stage is judged and good."""
    blanked.in_job("check", "--stage", "donor")
    assert blanked.in_job("check", "--stage", "before-writing").returncode == 0
    blanked.write("back.bin", blanked_memory(DONOR))
    assert blanked.in_job("check", "back.bin", "--stage", "after-writing").returncode == 0
    blanked.write("done.bin", FINISHED)
    assert blanked.in_job("check", "done.bin", "--stage", "after-setup").returncode == 0
    for name in ("back.bin", "done.bin"):
        (blanked.folder / name).unlink()
    return blanked


def newest(bench: Bench) -> dict[str, dict[str, Any]]:
    document = parse_document(bench.in_job("job", "show", "--json"), "job-show")
    return {each["stage"]: each for each in document["stages"]}


def test_another_vehicle_is_judged_from_the_stored_read(finished: Bench) -> None:
    finished.in_job("start", "--vehicle-vin", OTHER_VIN, "--reason", "mistyped")
    stages = newest(finished)
    assert stages["after-setup"]["verdict"] == "fail"
    assert stages["after-setup"]["judged_again"] == ["the vehicle's VIN"]
    assert stages["after-writing"]["verdict"] == "pass"
    shown = finished.in_job("job", "show").stdout
    assert "checked again: the vehicle's VIN changed since" in " ".join(shown.split())
    document = parse_document(finished.in_job("report", "--no-pdf", "--json"), "report")
    (stage,) = [each for each in document["stages"] if each["stage"] == "after-setup"]
    assert stage["verdict"] == "fail"
    assert stage["given"].startswith("The technician gave the file 'done.bin'")


def test_another_layout_is_asked_at_once(finished: Bench) -> None:
    text = (finished.folder / "module.toml").read_text()
    finished.write("guess.toml", text.replace("reviewed = true", "reviewed = false").encode())
    finished.in_job("start", "--layout", "guess.toml")
    stages = newest(finished)
    assert stages["after-writing"]["verdict"] == "pass"  # Byte for byte, with or without it.
    for stage in ("donor", "before-writing", "after-setup"):
        assert stages[stage]["verdict"] == "incomplete", stage
    assert stages["after-setup"]["judged_again"] == ["the layout"]


def test_a_new_file_to_write_leaves_earlier_reads_out_of_date(finished: Bench) -> None:
    more = ("--span", "0xA4+2", "--confirm", "042788")
    assert finished.in_job("blank", "donor", *KEEP, *more).returncode == 0
    stages = newest(finished)
    for stage in ("before-writing", "after-writing", "after-setup"):
        assert stages[stage]["verdict"] == "out-of-date", stage
        assert stages[stage]["changed"] == ["the file to program"]


def test_a_stored_read_that_was_changed_leaves_the_verdict_out_of_date(finished: Bench) -> None:
    for kept in (finished.job / "files").glob("after-setup-*"):
        kept.chmod(0o644)
        kept.write_bytes(bytes(256))
    finished.in_job("start", "--vehicle-vin", OTHER_VIN, "--reason", "mistyped")
    stages = newest(finished)
    assert stages["after-setup"]["verdict"] == "out-of-date"
    assert stages["after-writing"]["verdict"] == "pass"
