"""What a boot loader hides is not FF: it was not read, and is neither written nor judged."""

from __future__ import annotations

import json

import pytest

from tests.build import VEHICLE_VIN, blanked_memory, module_memory
from tests.command_line import parse_document
from tests.workflow.jobs import DONOR, ORIGINAL, Bench, set_time

HIDDEN = (0x80, 0x90)
DECLARED = ("--not-read", "0x80-0x8F", "--reason", "the boot loader hides it")


def masked(memory: bytes, value: int) -> bytes:
    first, end = HIDDEN
    return memory[:first] + bytes([value]) * (end - first) + memory[end:]


@pytest.fixture
def hidden(bench: Bench) -> Bench:
    """The reader gives FF for the area once and 00 once."""
    reads = (("o1", ORIGINAL, 0xFF), ("o2", ORIGINAL, 0), ("d1", DONOR, 0xFF), ("d2", DONOR, 0))
    for number, (name, memory, value) in enumerate(reads):
        set_time(bench.write(f"{name}.bin", masked(memory, value)), minutes_ago=60 - number)
    bench.start()
    return bench


def test_reads_that_differ_there_are_refused_until_it_is_declared(hidden: Bench) -> None:
    done = hidden.blank("--dry-run", "--json")
    failed = [row["code"] for row in json.loads(done.stdout)["checks"] if row["result"] == "fail"]
    assert failed == ["reads-agree", "read-areas"]
    hidden.in_job("start", *DECLARED)
    done = hidden.blank("--out", "out.bin")
    assert done.returncode == 0, done.stderr
    shown = " ".join(hidden.in_job("check", "--stage", "before-writing").stdout.split())
    assert "0x0000-0x007F" in shown  # To program.
    assert "0x0090-0x00FF" in shown
    assert "0x0080-0x008F" in shown  # To leave.


def test_it_takes_no_part_in_any_stage(hidden: Bench) -> None:
    hidden.in_job("start", *DECLARED)
    assert hidden.blank("--out", "out.bin").returncode == 0
    donor = parse_document(hidden.in_job("check", "--stage", "donor", "--json"), "check")
    assert [row["result"] for row in donor["checks"] if row["code"] == "reads"] == ["pass", "pass"]
    # The module gives its area now as something else again.
    hidden.write("back.bin", masked(blanked_memory(DONOR), 0x5A))
    done = hidden.in_job("check", "back.bin", "--stage", "after-writing")
    assert done.returncode == 0, done.stdout
    finished = module_memory(VEHICLE_VIN, options=bytes(16), starts=4720)
    hidden.write("done.bin", masked(finished, 0xA5))
    document = parse_document(
        hidden.in_job("check", "done.bin", "--stage", "after-setup", "--json"), "check"
    )
    assert document["verdict"] == "pass"
    report = hidden.in_job("report", "--no-pdf", "--json")
    assert "2 identical reads, apart from what the reader could not give" in report.stdout


def test_a_plan_that_reaches_into_it_is_refused(hidden: Bench) -> None:
    area = ("--not-read", "0x50-0x58", "--reason", "locked")
    hidden.in_job("start", *DECLARED)
    hidden.in_job("start", *area)
    done = hidden.blank("--dry-run", "--json")
    failed = [row for row in json.loads(done.stdout)["checks"] if row["result"] == "fail"]
    assert [row["code"] for row in failed] == ["read-areas"]
    assert "that the reader could not give" in failed[0]["text"]


def test_it_takes_no_part_in_a_majority(hidden: Bench) -> None:
    noisy = bytearray(DONOR)
    noisy[0x41] ^= 0x10
    hidden.write("d3.bin", masked(bytes(noisy), 0x5A))
    hidden.in_job("start", *DECLARED)
    hidden.in_job("start", "--donor", "d3.bin")
    done = hidden.in_job("job", "majority", "donor", "--json")
    assert done.returncode == 0, done.stderr
    document = parse_document(done, "job-majority")
    assert [row["address"] for row in document["doubtful"]] == [0x41]


def test_it_takes_no_part_in_giving_back(hidden: Bench) -> None:
    hidden.in_job("start", *DECLARED)
    assert hidden.blank("--out", "out.bin").returncode == 0
    assert hidden.in_job("backup", "restore", "donor", "--out", "back.bin").returncode == 0
    hidden.write("again.bin", masked(DONOR, 0x5A))
    done = hidden.in_job("check", "again.bin", "--stage", "restored", "--json")
    assert parse_document(done, "check")["verdict"] == "pass"
    other = bytearray(masked(DONOR, 0x5A))
    other[0xA1] ^= 1
    hidden.write("other.bin", bytes(other))
    done = hidden.in_job("check", "other.bin", "--stage", "restored", "--json")
    assert parse_document(done, "check")["verdict"] == "fail"
