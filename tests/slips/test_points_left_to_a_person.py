"""A point that a check left to a person: decided by name, for what it saw, and nothing else."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.build import VEHICLE_VIN, module_memory
from tests.command_line import parse_document
from tests.workflow.jobs import Bench

FINISHED = module_memory(VEHICLE_VIN, options=bytes(16), starts=4720)
NAME = ("--name", "N. N.")


def check(bench: Bench, *more: str) -> dict[str, Any]:
    return parse_document(bench.in_job("check", *more, "--json"), "check")


def test_a_module_identity_that_differs_is_for_a_person(started: Bench) -> None:
    point = next(
        row for row in check(started, "--stage", "donor")["checks"] if row["result"] == "decide"
    )
    assert point["code"] == "module-identity"
    assert point["reason"] is None
    assert point["decision"] is None


def test_a_decision_is_shown_beside_its_point_with_name_and_time(started: Bench) -> None:
    before = check(started, "--stage", "donor")
    assert before["verdict"] == "incomplete"
    done = started.in_job("job", "decide", "module-identity", "same hardware, catalogue", *NAME)
    assert done.returncode == 0, done.stderr
    assert "Decided by N. N." in done.stdout
    again = check(started, "--stage", "donor")
    row = next(row for row in again["checks"] if row["code"] == "module-identity")
    assert row["result"] == "decide"
    assert row["decision"]["text"] == "same hardware, catalogue"
    assert row["decision"]["name"] == "N. N."
    assert row["decision"]["time"]
    shown = started.in_job("check", "--stage", "donor", "--all").stdout
    assert "same hardware, catalogue" in " ".join(shown.split())
    report = started.in_job("report", "--no-pdf", "--json")
    assert report.returncode in (0, 1)
    page = next((started.job / "reports").glob("*.html")).read_text(encoding="utf-8")
    assert "same hardware, catalogue" in page
    assert "N. N." in page


def test_the_verdict_passes_once_every_point_is_decided(blanked: Bench) -> None:
    blanked.write("after.bin", module_memory(VEHICLE_VIN, starts=4720))
    first = check(blanked, "after.bin", "--stage", "after-setup")
    assert first["verdict"] == "incomplete"
    open_points = [row["code"] for row in first["checks"] if row["result"] == "decide"]
    assert open_points
    for code in open_points:
        done = blanked.in_job("job", "decide", code, "as the vehicle is equipped", *NAME)
        assert done.returncode == 0, done.stderr
    assert f"{len(open_points)} point" in done.stdout
    assert "decided by N. N." in done.stdout
    show = json.loads(blanked.in_job("job", "show", "--json").stdout)
    assert show["stages"][-1]["verdict"] == "pass"


def test_a_failure_cannot_be_decided(blanked: Bench) -> None:
    blanked.write("after.bin", module_memory())
    assert check(blanked, "after.bin", "--stage", "after-setup")["verdict"] == "fail"
    done = blanked.in_job("job", "decide", "vins", "it will do", *NAME)
    assert done.returncode == 3
    assert "a failure cannot be decided" in done.stderr


def test_what_was_not_checked_cannot_be_decided(blanked: Bench) -> None:
    check(blanked, "--reported-vin", VEHICLE_VIN)
    done = blanked.in_job("job", "decide", "measured", "it will do", *NAME)
    assert done.returncode == 3
    assert "was not checked" in done.stderr


def test_a_decision_on_changed_digests_no_longer_counts(started: Bench) -> None:
    check(started, "--stage", "donor")
    assert started.in_job("job", "decide", "module-identity", "equal", *NAME).returncode == 0
    other = module_memory(serial=b"SN-0007732-AB   ")
    for name in ("d3.bin", "d4.bin"):
        started.write(name, other)
    done = started.in_job("start", "--donor", "d3.bin", "--donor", "d4.bin", "--reseated")
    assert done.returncode in (0, 1), done.stderr
    # The donor was judged again at once, from its new reads: nobody has decided on those.
    show = json.loads(started.in_job("job", "show", "--json").stdout)
    point = next(row for row in show["stages"][-1]["checks"] if row["code"] == "module-identity")
    assert (point["result"], point["decision"]) == ("decide", None)
    again = check(started, "--stage", "donor")
    row = next(row for row in again["checks"] if row["code"] == "module-identity")
    assert row["decision"] is None


@pytest.mark.parametrize("text", ["", " ", ".", "…"])
def test_a_blank_or_a_dot_is_no_decision(started: Bench, text: str) -> None:
    check(started, "--stage", "donor")
    done = started.in_job("job", "decide", "module-identity", text, *NAME)
    assert done.returncode == 2
    assert "not a decision" in done.stderr


def test_a_decision_without_a_name_is_refused(started: Bench) -> None:
    check(started, "--stage", "donor")
    done = started.in_job("job", "decide", "module-identity", "equal")
    assert done.returncode == 2
    assert "name" in done.stderr


def test_a_point_that_no_check_left_is_named_with_those_that_are_open(started: Bench) -> None:
    check(started, "--stage", "donor")
    done = started.in_job("job", "decide", "no-such-point", "equal", *NAME)
    assert done.returncode == 2
    assert "module-identity" in done.stderr
