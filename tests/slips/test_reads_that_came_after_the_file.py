"""The file to program was made from two equal reads; a later read says that both were wrong."""

from __future__ import annotations

from typing import Any

from tests.command_line import parse_document
from tests.workflow.jobs import DONOR, Bench


def differing() -> bytes:
    memory = bytearray(DONOR)
    memory[0xA1] ^= 0x10
    return bytes(memory)


def judge(bench: Bench) -> tuple[str, list[dict[str, Any]]]:
    done = bench.in_job("check", "--stage", "before-writing", "--json")
    document = parse_document(done, "check")
    return document["verdict"], [row for row in document["checks"] if row["code"] == "reads"]


def test_a_read_that_differs_speaks_against_the_file(blanked: Bench) -> None:
    assert judge(blanked) == ("pass", [])
    blanked.write("d3.bin", differing())
    blanked.in_job("start", "--donor", "d3.bin")
    verdict, rows = judge(blanked)
    assert verdict == "fail"
    assert [row["result"] for row in rows] == ["fail"]
    assert "differ from each other" in rows[0]["text"]
    # Two of three still say what the file was made from.
    assert blanked.in_job("job", "majority", "donor").returncode == 0
    assert judge(blanked)[0] == "pass"


def test_a_majority_that_outvotes_the_first_reads_speaks_against_the_file(blanked: Bench) -> None:
    for number in (3, 4, 5):
        blanked.write(f"d{number}.bin", differing())
        blanked.in_job("start", "--donor", f"d{number}.bin")
    assert blanked.in_job("job", "majority", "donor").returncode == 0
    verdict, rows = judge(blanked)
    assert verdict == "fail"
    assert "is not the image that the file was made from" in rows[0]["text"]


def test_reads_of_another_sitting_count_by_themselves(blanked: Bench) -> None:
    blanked.write("d3.bin", differing())
    later = ("--sitting", "after a night on the vehicle", "--single-read", "to compare")
    blanked.in_job("start", "--donor", "d3.bin", *later)
    assert judge(blanked) == ("pass", [])
