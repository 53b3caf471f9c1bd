"""`check` where the module has two memories: each is judged, and the verdict is the worst."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.build import VEHICLE_VIN, blanked_memory, module_memory
from tests.command_line import parse_document
from tests.workflow.jobs import DONOR, Bench
from tests.workflow.two_memories import (
    FLASH,
    FLASH_DONOR,
    FLASH_ORIGINAL,
    blanked_flash,
    flash_memory,
    start_two,
)

BLANK = ("blank", "donor", "--keep", "24c02=0x40+4", "--reason", "counter", "--confirm", "042788")
FINISHED = module_memory(VEHICLE_VIN, options=bytes(16), starts=4720)
FLASH_FINISHED = flash_memory(VEHICLE_VIN, "vehicle")


@pytest.fixture(scope="module")
def _two(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    bench = start_two(tmp_path_factory.mktemp("two") / "bench")
    done = bench.in_job(*BLANK)
    assert done.returncode == 0, done.stderr
    bench.write("back.bin", blanked_memory(DONOR))
    bench.write("flash-back.bin", blanked_flash(FLASH_DONOR))
    bench.write("end.bin", FINISHED)
    bench.write("flash-end.bin", FLASH_FINISHED)
    return bench


@pytest.fixture
def two(_two: Bench, tmp_path: Path) -> Bench:
    return _two.copy_to(tmp_path / "bench")


def check(bench: Bench, *arguments: str) -> dict[str, Any]:
    return parse_document(bench.in_job("check", *arguments, "--json"), "check")


def verdicts(document: dict[str, Any]) -> dict[str, Any]:
    return {memory["name"]: memory["verdict"] for memory in document["memories"]}


def test_without_a_file_every_file_to_write_is_judged_and_has_its_card(two: Bench) -> None:
    done = two.in_job("check")
    assert "before-writing (inferred from the job)" in done.stdout
    assert "To program: 24C02" in done.stdout
    assert "To program: 2K" in done.stdout
    document = check(two, "--stage", "before-writing")
    assert set(verdicts(document)) == {"24c02", FLASH}
    assert {item["memory"] for item in document["checks"]} == {"24c02", FLASH}


def test_a_read_is_assigned_by_size_and_the_other_memory_stays_open(two: Bench) -> None:
    check(two)
    document = check(two, "back.bin")
    assert document["stage"] == "after-writing"
    assert verdicts(document) == {"24c02": "pass", FLASH: "incomplete"}
    assert document["verdict"] == "incomplete"
    done = two.in_job("check", "flash-back.bin")
    assert done.returncode == 0, done.stdout
    assert "Verdict: pass" in done.stdout


def test_both_reads_at_once_and_the_worst_verdict_counts(two: Bench) -> None:
    check(two)
    document = check(two, "back.bin", "flash-back.bin")
    assert (document["stage"], document["verdict"]) == ("after-writing", "pass")
    two.write("bad.bin", FLASH_DONOR)
    document = check(two, "back.bin", f"{FLASH}=bad.bin", "--stage", "after-writing")
    assert verdicts(document) == {"24c02": "pass", FLASH: "fail"}
    assert document["verdict"] == "fail"


def test_without_a_read_it_says_what_is_checked_and_what_is_open(two: Bench) -> None:
    check(two)
    check(two, "back.bin")
    done = two.in_job("check")
    assert done.returncode == 1
    assert "after-writing (inferred from the job)" in done.stdout
    (eeprom,) = (line for line in done.stdout.splitlines() if line.startswith("  24c02"))
    (flash,) = (line for line in done.stdout.splitlines() if line.startswith(f"  {FLASH}"))
    assert "checked" in eeprom
    assert "not checked yet" in flash
    assert f"check {FLASH}=READ --stage after-writing" in done.stderr.replace("\n", " ")


def test_after_setup_takes_a_read_of_each_memory(two: Bench) -> None:
    check(two)
    check(two, "back.bin", "flash-back.bin")
    document = check(two, "24c02=end.bin", f"{FLASH}=flash-end.bin")
    assert document["stage"] == "after-setup"
    assert {item["memory"] for item in document["checks"] if item["code"] == "vins"} == {
        "24c02",
        FLASH,
    }
    assert document["verdict"] != "fail"


def test_the_finished_eeprom_beside_a_donors_data_flash_is_no_finished_module(two: Bench) -> None:
    document = check(two, "end.bin", f"{FLASH}=flash-d1.bin", "--stage", "after-setup")
    assert document["verdict"] == "fail"


def test_two_reads_of_one_memory_are_refused(two: Bench) -> None:
    error = parse_document(two.in_job("check", "back.bin", "end.bin", "--json"), "error")
    assert (error["exit"], error["code"]) == (2, "two-reads")


def test_reported_values_speak_of_the_whole_module(two: Bench) -> None:
    document = check(two, "--reported-vin", VEHICLE_VIN, "--codes", "none")
    assert document["stage"] == "after-setup"
    assert {item["memory"] for item in document["checks"]} == {None}


def test_a_memory_equal_in_both_modules_does_not_lower_the_verdict(tmp_path: Path) -> None:
    bench = start_two(tmp_path / "bench", flash_donor=FLASH_ORIGINAL, layout=False)
    done = bench.in_job(
        *("blank", "donor/24c02", "--keep", "0x40+4", "--reason", "counter"),
        *("--confirm", "042788"),
    )
    assert done.returncode == 0, done.stderr
    bench.in_job("check")
    bench.write("back.bin", blanked_memory(DONOR))
    done = bench.in_job("check", "back.bin")
    assert "not part of this job: it is equal in both modules" in " ".join(done.stdout.split())
    assert done.returncode == 0, done.stdout


def test_job_show_tells_each_stage_memory_by_memory(two: Bench) -> None:
    check(two, "end.bin", "--stage", "after-setup")
    shown = two.in_job("job", "show").stdout
    lines = [line.split() for line in shown[: shown.index("Order")].splitlines()]
    rows = {line[0]: line for line in lines if line}
    assert rows["after-setup"][1] == "24c02"
    after = next(index for index, line in enumerate(lines) if line[:1] == ["after-setup"])
    assert lines[after + 1][0] == FLASH
    assert " ".join(lines[after + 1]).endswith("not checked yet")


@pytest.mark.parametrize(
    "command",
    [
        ("layout", "show", "module.toml", "--image"),
        ("layout", "check", "module.toml", "--against"),
    ],
)
def test_a_layout_is_laid_over_images_of_its_own_memory_alone(
    two: Bench, command: tuple[str, ...]
) -> None:
    own = two.in_job(*command, "donor")
    assert own.returncode == 0, own.stderr
    for image in (f"donor/{FLASH}", "flash-d1.bin"):
        refused = two.in_job(*command, image, "--json")
        assert refused.returncode == 3
        error = parse_document(refused, "error")
        assert error["code"] == "image-of-another-memory"
        assert "donor/24c02" in error["next"]


def test_a_review_refuses_an_image_of_another_memory_and_keeps_no_answer(two: Bench) -> None:
    text = (two.folder / "module.toml").read_text()
    two.write("open.toml", text.replace("reviewed = true", "reviewed = false").encode())
    answer = ("layout", "review", "open.toml", "--by", "N. N.", "--accept", "VIN", "--image")
    refused = two.in_job(*answer, f"donor/{FLASH}", "--json")
    assert refused.returncode == 3
    assert parse_document(refused, "error")["code"] == "image-of-another-memory"
    assert not (two.folder / "open.toml.review.jsonl").exists()
