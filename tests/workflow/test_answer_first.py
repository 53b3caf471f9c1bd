"""The first lines of a command say what holds; what passed is counted; nothing is said twice."""

from __future__ import annotations

import json
import shutil
from collections import Counter
from pathlib import Path

import pytest

from memtool.core.job.stages.answers import failed, not_checked
from memtool.core.span import Span
from memtool.render.text.answers import Answer, answers
from tests.command_line import run_benchimage
from tests.workflow.jobs import KEEP, ORDER, Bench, Done, set_time

ROOT = Path(__file__).parents[2]
SCREEN = 24
ORDER_OF_LABELS = ("fail", "out of date", "you decide", "not checked", "pass")


def labels(done: Done) -> list[str]:
    """The results that the first lines tell, in their order."""
    answer = done.stdout.partition("\n\n")[0].splitlines()
    return [label for line in answer for label in ORDER_OF_LABELS if line.startswith(f"  {label} ")]


def all_lines(done: Done) -> list[str]:
    return [*done.stdout.splitlines(), *done.stderr.splitlines()]


def test_start_and_blank_fit_two_screens(bench: Bench) -> None:
    for done in (bench.start(), bench.blank("--dry-run"), bench.blank()):
        assert done.returncode == 0, done.stderr
        assert len(all_lines(done)) <= 2 * SCREEN


def test_start_with_two_memories_fits_two_screens(tmp_path: Path) -> None:
    reads = [
        *(f"--original=tailgate-original-{part}.bin" for part in ("eeprom-1", "eeprom-2")),
        *(f"--original=tailgate-original-flash-{number}.bin" for number in (1, 2, 3)),
        *(f"--donor=tailgate-donor-eeprom-{number}.bin" for number in (1, 2)),
        *(f"--donor=tailgate-donor-flash-{number}.bin" for number in (1, 2)),
    ]
    for minutes, path in enumerate(sorted((ROOT / "test_images").glob("tailgate-*"))):
        set_time(Path(shutil.copy(path, tmp_path)), minutes_ago=minutes)
    order = [*ORDER]
    order[order.index("--vehicle-vin") + 1] = "8Z9TG3C06NP006120"
    done = run_benchimage(
        *("start", "--job", "job", *reads, *order, "--reseated"),
        *("--original-part", "TG-3305-D", "--donor-part", "TG-3305-D"),
        *("--memory", "eeprom=93C66", "--memory", "data-flash=4K"),
        *("--layout", "tailgate-eeprom.toml", "--layout", "tailgate-flash.toml"),
        cwd=tmp_path,
        BENCHIMAGE_STORE=str(tmp_path / "store"),
        BENCHIMAGE_LAYOUTS=str(tmp_path / "layouts"),
    )
    assert done.returncode == 0, done.stderr
    assert len(all_lines(done)) <= 2 * SCREEN
    for told in ("8Z9TG3C06NP006120", "8Z9TG3C04JP018342", "to be set", "swapped-16"):
        assert told in done.stdout
    assert "Next: " in done.stderr


def test_what_is_the_same_in_two_memories_is_said_once() -> None:
    missing = not_checked("part-number", "Part numbers were not compared.", "none on record")
    here = failed("vins", "Another VIN.", [Span(0, 17)])
    several = [Answer(check=each, memory=name) for name in "ab" for each in (missing, here)]
    lines = answers(several, width=80, show_all=False).splitlines()
    assert [line.split("  ")[-1].strip() for line in lines] == [
        "a: Another VIN. [0x0000-0x0010]",
        "b: Another VIN. [0x0000-0x0010]",
        "a, b: Part numbers were not compared: none on record.",
    ]


def test_the_worst_comes_first_and_within_one_screen(bench: Bench) -> None:
    bad = bytearray((bench.folder / "d2.bin").read_bytes())
    bad[0x33] ^= 0x10
    bench.write("d2.bin", bytes(bad))
    done = bench.start()
    first = done.stdout.splitlines()[0]
    assert "stop" in first
    assert "failed" in first
    told = labels(done)
    assert told[0] == "fail"
    assert told == sorted(told, key=ORDER_OF_LABELS.index)
    assert len(done.stdout.partition("\n\n")[0].splitlines()) <= SCREEN


@pytest.mark.parametrize(
    "command", [("check", "--stage", "donor"), ("blank", "donor", *KEEP, "--dry-run")]
)
def test_what_passed_is_counted_and_listed_with_all(
    command: tuple[str, ...], started: Bench
) -> None:
    checks = json.loads(started.in_job(*command, "--json").stdout)["checks"]
    passed = [check for check in checks if check["result"] == "pass"]
    short, listed = started.in_job(*command), started.in_job(*command, "--all")
    assert f"{len(passed)} checks passed (--all lists them)" in short.stdout
    assert labels(short).count("pass") == 1
    assert labels(listed).count("pass") == len(passed)
    words = " ".join(listed.stdout.split())
    for check in passed:
        assert check["text"] in words
        assert check["text"] not in " ".join(short.stdout.split())


def test_nothing_is_said_twice(bench: Bench) -> None:
    inspect = ("inspect", "d1.bin", "d2.bin", "--chip", "24C02", "--layout", "module.toml")
    for done in (
        bench.run(*inspect),
        bench.start(),
        bench.in_job("check", "--stage", "donor"),
        bench.blank(),
        bench.in_job("check", "--stage", "before-writing"),
    ):
        said = [line.strip() for line in all_lines(done) if len(line.strip()) > 30]
        assert [line for line, number in Counter(said).items() if number > 1] == []


def test_cautions_come_once_a_job(blanked: Bench) -> None:
    assert "Cautions" not in blanked.in_job("start").stdout
    first, second = (blanked.in_job("check", "--stage", "before-writing") for _ in range(2))
    assert "Before you write it" in first.stdout
    assert "Before you write it" not in second.stdout
    assert "To program: 24C02" in second.stdout


def test_what_a_layout_has_not_is_not_called_passed(started: Bench) -> None:
    done = started.in_job("check", "--stage", "donor", "--json")
    checks = {check["code"] for check in json.loads(done.stdout)["checks"]}
    assert "same-configuration" in checks
    assert "same-code" not in checks  # The test module's layout has no code region.


def test_an_original_of_another_vehicle_is_named_before_a_donor_is_read(bench: Bench) -> None:
    original = ("--original", "d1.bin", "--original", "d2.bin", "--reseated")
    done = bench.in_job("start", "--chip", "24C02", *original, *ORDER)
    assert done.returncode == 1
    assert labels(done)[0] == "fail"
    assert "The original holds a VIN that is not the vehicle's" in " ".join(done.stdout.split())
    assert "--replaces READ" in done.stderr
