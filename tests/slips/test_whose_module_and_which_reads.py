"""The wrong module, reads argued away, words that say nothing: each is refused by its name."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.build import DONOR_VIN, LAYOUT, VEHICLE_VIN, module_memory
from tests.command_line import parse_document
from tests.workflow.jobs import DONOR, KEEP, ORDER, ORIGINAL, Bench, set_time

MISTYPED_VIN = "5GZCZ43D13S812715"
"""A worked example of the published check digit: J. D. Cook, 2022-09-04."""


def failed_rules(bench: Bench, *more: str) -> list[str]:
    done = bench.in_job("blank", "donor", *KEEP, "--dry-run", "--json", *more)
    assert done.returncode in (0, 1, 3), done.stderr
    return [row["code"] for row in json.loads(done.stdout)["checks"] if row["result"] == "fail"]


def points(bench: Bench, *arguments: str) -> dict[str, str]:
    rows: list[dict[str, Any]] = parse_document(
        bench.in_job("check", "--json", *arguments), "check"
    )["checks"]
    return {row["code"]: row["result"] for row in rows}


def test_the_same_files_in_both_roles_with_a_mistyped_vin(bench: Bench) -> None:
    for number in "12":
        path = bench.write(f"o{number}.bin", DONOR)
        set_time(path, minutes_ago=30 - int(number))
    order = tuple(MISTYPED_VIN if word == VEHICLE_VIN else word for word in ORDER)
    bench.start(order=order)
    assert "same-image" in failed_rules(bench)


def test_roles_swapped_and_the_vin_amended_there_and_back(bench: Bench) -> None:
    for number in "12":
        set_time(bench.write(f"o{number}.bin", DONOR), minutes_ago=30 - int(number))
        set_time(bench.write(f"d{number}.bin", ORIGINAL), minutes_ago=20 - int(number))
    bench.start()
    assert "other-vehicle" in failed_rules(bench)
    bench.in_job("start", "--vehicle-vin", MISTYPED_VIN)
    bench.in_job("start", "--vehicle-vin", VEHICLE_VIN)
    assert "other-vehicle" in failed_rules(bench)
    assert points(bench, "--stage", "donor")["donor-is-vehicles"] == "fail"


def test_a_donor_whose_setup_for_this_vehicle_was_broken_off_is_left_to_a_person(
    bench: Bench,
) -> None:
    memory = bytearray(module_memory(VEHICLE_VIN))
    memory[0x50:0x61] = DONOR_VIN.encode()[::-1]
    for number in "12":
        set_time(bench.write(f"d{number}.bin", bytes(memory)), minutes_ago=20 - int(number))
    bench.start()
    told = points(bench, "--stage", "donor")
    assert told["stranger-beside"] == "decide"
    assert "fail" not in told.values()
    assert failed_rules(bench) == []


def test_reads_of_two_modules_without_any_vin_are_left_to_a_person(bench: Bench) -> None:
    blank = bytearray(DONOR)
    blank[0x10:0x21] = b"\xff" * 17
    blank[0x50:0x61] = b"\xff" * 17
    for number, serial in (("1", b"TL19031907D"), ("2", b"TL22064471D")):
        blank[0xC0 : 0xC0 + len(serial)] = serial
        set_time(bench.write(f"d{number}.bin", bytes(blank)), minutes_ago=20 - int(number))
    bench.start()
    assert points(bench, "--stage", "donor")["two-serials"] == "decide"


def test_two_reads_that_differ_are_not_outvoted_by_a_third(bench: Bench) -> None:
    wrong = bytearray(DONOR)
    wrong[0xB0] ^= 1
    set_time(bench.write("d2.bin", bytes(wrong)), minutes_ago=20)
    bench.start()
    assert "reads-agree" in failed_rules(bench)
    set_time(bench.write("d3.bin", bytes(wrong)), minutes_ago=10)
    bench.in_job("start", "--donor", "d3.bin")
    assert "reads-agree" in failed_rules(bench)
    report = bench.in_job("report", "--no-pdf", "--json").stdout
    assert "read once" not in report
    bench.in_job("start", "--replaces", "d1.bin", "--reason", "the clip had slipped")
    assert "reads-agree" not in failed_rules(bench)
    page = bench.in_job("report", "--no-pdf")
    assert page.returncode == 0, page.stderr
    shown = bench.in_job("job", "show").stdout
    assert "d1.bin" in shown


@pytest.mark.parametrize("text", [" ", "."])
def test_a_blank_or_a_dot_is_no_authority_and_no_reason(bench: Bench, text: str) -> None:
    order = (*ORDER[:-2], "--authority", text)
    given = bench.start(order=order)
    assert given.returncode == 2 or "authority" in failed_rules(bench)
    read = ("--donor", "d1.bin", "--single-read", text, "--chip", "24C02", *ORDER)
    alone = bench.run("start", "--job", "other", *read)
    assert alone.returncode == 2 or "say" in alone.stderr


def test_a_layout_that_is_not_the_jobs_judges_no_stage(blanked: Bench) -> None:
    loose = LAYOUT.partition("[[region]]")[0] + LAYOUT.partition("[[region]]")[1]
    loose += LAYOUT.partition("[[region]]")[2].partition("[[region]]")[0]
    blanked.write("loose.toml", loose.encode())
    done = blanked.in_job("check", "--stage", "before-writing", "--layout", "loose.toml")
    assert done.returncode == 3
    assert blanked.in_job("check", "--stage", "before-writing").returncode == 0


def test_the_original_is_no_finished_module_and_nothing_blanked_is_not_green(
    started: Bench,
) -> None:
    done = started.in_job("check", "original", "--stage", "after-setup")
    assert done.returncode == 3
    assert points(started, "--stage", "donor")
    shown = parse_document(started.in_job("job", "show", "--json"), "job-show")
    assert {each["stage"] for each in shown["stages"]} == {"donor"}


def test_reads_of_another_job_bring_no_name_of_it_into_the_report(bench: Bench) -> None:
    for number in "12":
        set_time(bench.write(f"smith-{number}.bin", DONOR), minutes_ago=50 - int(number))
    reads = ("--donor", "smith-1.bin", "--donor", "smith-2.bin", "--chip", "24C02")
    assert bench.run("start", "--job", "smith", *reads, *ORDER).returncode in (0, 1)
    bench.start()
    assert bench.blank("--out", "out.bin").returncode == 0
    assert bench.in_job("report", "--no-pdf").returncode == 0
    for path in (bench.job / "reports").iterdir():
        assert "smith" not in path.read_text(encoding="utf-8")
    assert "smith" not in (bench.job / "journal.jsonl").read_text(encoding="utf-8")
    assert "smith" not in bench.in_job("start").stdout


def test_a_serial_that_spells_the_vehicles_vin_makes_no_vehicle_of_a_donor(bench: Bench) -> None:
    """Short traces alone never refuse an input."""
    donor = module_memory(serial=f"SN-{VEHICLE_VIN[-5:]}-AB".encode().ljust(16))
    for number in "12":
        set_time(bench.write(f"d{number}.bin", donor), minutes_ago=20 - int(number))
    bench.start()
    assert "other-vehicle" not in failed_rules(bench)
