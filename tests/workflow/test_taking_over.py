"""A new job on an older one's reads: a slip that is mended, and a module that came back."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.build import VEHICLE_VIN, blanked_memory, module_memory
from tests.command_line import parse_document
from tests.workflow.jobs import DONOR, ORDER, Bench

FINISHED = module_memory(VEHICLE_VIN, options=bytes(16), starts=4720)
NEW = ("--work-order", "8", "--authority", "order 8, signed")
WHY = ("--from", "job", "--reason")


def rows(document: dict[str, Any], code: str) -> list[dict[str, Any]]:
    return [row for row in document["checks"] if row["code"] == code]


def family(document: dict[str, Any], code: str) -> list[dict[str, Any]]:
    return [row for row in document["memories"][0]["family"] if row["code"] == code]


@pytest.fixture(scope="module")
def _done(_started: Bench, tmp_path_factory: pytest.TempPathFactory) -> Bench:
    bench = _started.copy_to(tmp_path_factory.mktemp("done") / "bench")
    assert bench.blank().returncode == 0
    for name, data in (("back", blanked_memory(DONOR)), ("end", FINISHED), ("today", FINISHED)):
        bench.write(f"{name}.bin", data)
    for file, stage in (("back.bin", "after-writing"), ("end.bin", "after-setup")):
        assert bench.in_job("check", file, "--stage", stage).returncode == 0
    return bench


@pytest.fixture
def done(_done: Bench, tmp_path: Path) -> Bench:
    return _done.copy_to(tmp_path / "done")


def test_a_wrong_kind_is_mended_by_a_new_job_that_names_the_old_one(bench: Bench) -> None:
    order = tuple("airbag" if word == "body" else word for word in ORDER)
    bench.start(order=order)
    assert bench.blank().returncode == 3
    new = ("start", "--job", "new", *WHY, "the door module, wrong kind picked")
    begun = bench.run(*new, "--module-kind", "body", *NEW, "--json")
    document = parse_document(begun, "start")
    assert document["order"]["vehicle_vin"] == VEHICLE_VIN
    assert document["order"]["authority"] == "order 8, signed"
    (memory,) = document["memories"]
    assert [(each["role"], each["reads"], each["agree"]) for each in memory["modules"]] == [
        ("original", 2, True),
        ("donor", 2, True),
    ]
    assert memory["layout"] == "test module"
    check = parse_document(
        bench.run("check", "--job", "new", "--stage", "donor", "--json"), "check"
    )
    (point,) = rows(check, "earlier-job")
    assert point["result"] == "decide"
    assert "order 7" in point["text"]
    assert "airbag" in point["text"]
    planned = bench.run("blank", "donor", "--job", "new", "--dry-run")
    assert planned.returncode == 0, planned.stdout
    report = parse_document(bench.run("report", "--job", "new", "--json"), "report")
    assert any("order 7" in line["text"] for line in report["proof"])
    assert any("order 7" in text for text in report["open_points"])


def test_a_module_that_came_back_is_compared_with_what_was_handed_over(done: Bench) -> None:
    begun = done.run(
        *("start", "--job", "back", *WHY, "warranty: windows dead again", *NEW),
        *("--original", "today.bin", "--single-read", "same clip", "--json"),
    )
    document = parse_document(begun, "start")
    assert begun.returncode == 0, document
    (row,) = family(document, "baseline")
    assert row["result"] == "pass"
    assert "when order 7 was finished" in row["text"]
    assert family(document, "earlier-job")[0]["result"] == "pass"
    assert "benchimage check" in document["next"]
    # After the work the module is read once more; the stage is told from the job.
    done.write("after.bin", FINISHED)
    checked = parse_document(done.run("check", "after.bin", "--job", "back", "--json"), "check")
    assert (checked["stage"], checked["verdict"]) == ("after-setup", "pass")
    report = parse_document(done.run("report", "--job", "back", "--json"), "report")
    assert [stage["stage"] for stage in report["stages"]] == ["after-setup"]
    assert any("finished read of order 7" in line["text"] for line in report["proof"])
    assert not any("donor was not read" in text.lower() for text in report["open_points"])


def test_what_changed_since_is_left_to_a_person_by_region(done: Bench) -> None:
    changed = bytearray(FINISHED)
    changed[0xA5] ^= 0x40
    done.write("today.bin", bytes(changed))
    begun = done.run(
        *("start", "--job", "back", *WHY, "warranty", *NEW, "--original", "today.bin", "--json")
    )
    (row,) = family(parse_document(begun, "start"), "baseline")
    assert row["result"] == "decide"
    assert "1 byte in 'curve' (calibration)" in row["text"]
    done.write("after.bin", bytes(changed))
    checked = parse_document(done.run("check", "after.bin", "--job", "back", "--json"), "check")
    assert checked["verdict"] == "incomplete"
    assert rows(checked, "baseline")[0]["result"] == "decide"


def test_reads_of_today_never_count_together_with_the_baseline(done: Bench) -> None:
    changed = module_memory(VEHICLE_VIN, options=bytes(16), starts=4999)
    done.run("start", "--job", "back", *WHY, "warranty", *NEW)
    for name in ("t1.bin", "t2.bin"):
        done.write(name, changed)
    begun = done.run(
        "start", "--job", "back", "--original", "t1.bin", "--original", "t2.bin", "--json"
    )
    (module,) = parse_document(begun, "start")["memories"][0]["modules"]
    assert (module["reads"], module["agree"]) == (2, True)


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (("--job", "new", "--from", "job"), "missing-answer"),
        (("--job", "new", "--from", "job", "--reason", "."), "says-nothing"),
        (("--job", "job", "--from", "job", "--reason", "again"), "job-exists"),
        (("--job", "new", "--from", "nowhere", "--reason", "again"), "no-job"),
    ],
)
def test_taking_over_needs_an_older_job_a_new_folder_and_a_reason(
    started: Bench, arguments: tuple[str, ...], code: str
) -> None:
    refused = started.run("start", *arguments, *NEW, "--json")
    assert refused.returncode == 2
    assert parse_document(refused, "error")["code"] == code
    assert not (started.folder / "new").exists()


def test_a_finished_read_that_was_changed_since_is_refused(done: Bench) -> None:
    (copy,) = (done.job / "files").glob("after-setup-*")
    copy.write_bytes(b"\0" * 256)
    refused = done.run("start", "--job", "back", *WHY, "warranty", *NEW, "--json")
    assert refused.returncode == 5
    assert parse_document(refused, "error")["code"] == "copy-changed"
    assert not (done.folder / "back").exists()
