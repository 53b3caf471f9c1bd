"""Green lines without the work behind them, by slip or by wish: each ends in a refusal."""

from __future__ import annotations

import json
from pathlib import Path

from tests.build import DONOR_VIN, VEHICLE_VIN, blanked_memory, module_memory
from tests.workflow.jobs import DONOR, Bench

FINISHED = module_memory(VEHICLE_VIN, options=bytes(16), starts=4720)
OTHER_VIN = "5GZCZ43D13S812715"
"""A worked example of the published check digit: J. D. Cook, 2022-09-04."""


def to_write(bench: Bench) -> Path:
    return next((bench.job / "files").glob("to-write-*"))


def test_a_read_saved_into_the_jobs_folder_is_taken(
    blanked: Bench,
) -> None:
    (blanked.job / "read-back.bin").write_bytes(blanked_memory(DONOR))
    done = blanked.in_job("check", blanked.job / "read-back.bin", "--stage", "after-writing")
    assert done.returncode == 0, done.stderr


def test_a_changed_copy_of_the_file_to_write_is_noticed(
    blanked: Bench,
) -> None:
    own = to_write(blanked)
    own.chmod(0o644)
    own.write_bytes(own.read_bytes()[:-1] + b"\x42")
    done = blanked.in_job("check", "--stage", "before-writing")
    assert done.returncode == 5
    assert "was changed since it was made" in done.stderr


def test_a_finished_job_never_vouches_for_a_vin_amended_later(
    blanked: Bench,
) -> None:
    blanked.write("finished.bin", FINISHED)
    blanked.in_job("check", "--stage", "before-writing")
    blanked.in_job("check", "finished.bin", "--stage", "after-setup")
    blanked.in_job("start", "--vehicle-vin", OTHER_VIN, "--reason", "mistyped")
    shown = json.loads(blanked.in_job("job", "show", "--json").stdout)
    after = [stage for stage in shown["stages"] if stage["stage"] == "after-setup"][-1]
    assert after["verdict"] != "pass"
    report = blanked.in_job("report", "--no-pdf", "--json")
    result = json.loads(report.stdout)
    assert OTHER_VIN not in result.get("vin_now", "") or "Not" in result["vin_now"]


def test_an_unreviewed_layout_judges_nothing(
    blanked: Bench,
) -> None:
    text = (
        (blanked.folder / "module.toml").read_text().replace("reviewed = true", "reviewed = false")
    )
    blanked.write("guess.toml", text.encode())
    blanked.in_job("start", "--layout", "guess.toml")
    done = blanked.in_job("check", "--stage", "before-writing", "--json")
    document = json.loads(done.stdout)
    by_code = {check["code"]: check["result"] for check in document["checks"]}
    assert by_code["checksums"] == "not-checked"
    assert document["verdict"] != "pass"
    assert DONOR_VIN not in done.stdout
