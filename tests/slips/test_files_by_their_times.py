"""The time of a read's file: told where it is odd, left to a person where it may matter."""

from __future__ import annotations

import os
import shutil
from typing import Any

from tests.build import VEHICLE_VIN, blanked_memory, module_memory
from tests.command_line import parse_document
from tests.workflow.jobs import DONOR, Bench, set_time

FINISHED = module_memory(VEHICLE_VIN, options=bytes(16), starts=4720)
TAKEN = blanked_memory(DONOR)


def checked(bench: Bench, name: str, stage: str) -> dict[str, Any]:
    return parse_document(bench.in_job("check", name, "--stage", stage, "--json"), "check")


def results(document: dict[str, Any], code: str) -> list[str]:
    return [row["result"] for row in document["checks"] if row["code"] == code]


def test_an_older_read_with_equal_bytes_is_told_and_passes(blanked: Bench) -> None:
    set_time(blanked.write("back.bin", TAKEN), minutes_ago=90)
    document = checked(blanked, "back.bin", "after-writing")
    assert document["verdict"] == "pass"
    assert results(document, "read-time") == ["pass"]
    set_time(blanked.write("new.bin", TAKEN), minutes_ago=-1)
    assert results(checked(blanked, "new.bin", "after-writing"), "read-time") == []


def test_an_older_read_with_other_bytes_is_for_a_person(blanked: Bench) -> None:
    set_time(blanked.write("done.bin", FINISHED), minutes_ago=90)
    document = checked(blanked, "done.bin", "after-setup")
    assert results(document, "read-time") == ["decide"]
    assert document["verdict"] == "incomplete"


def test_a_read_of_the_original_given_again_as_the_finished_module(blanked: Bench) -> None:
    document = checked(blanked, "o2.bin", "after-setup")
    assert results(document, "copied-read") == ["decide"]
    assert "'o2.bin', which was given as a read of the original" in str(document)


def test_the_read_after_writing_given_again_after_setup(blanked: Bench) -> None:
    path = blanked.write("back.bin", TAKEN)
    checked(blanked, "back.bin", "after-writing")
    shutil.copy2(path, blanked.folder / "again.bin")
    assert results(checked(blanked, "again.bin", "after-setup"), "copied-read") == ["decide"]


def test_a_copied_file_as_the_second_read(bench: Bench) -> None:
    shutil.copy2(bench.folder / "d1.bin", bench.folder / "d2.bin")
    bench.start()
    document = parse_document(bench.in_job("check", "--stage", "donor", "--json"), "check")
    assert results(document, "copied-read") == ["decide"]


def test_two_reads_of_equal_bytes_and_other_times_are_two_reads(started: Bench) -> None:
    document = parse_document(started.in_job("check", "--stage", "donor", "--json"), "check")
    assert results(document, "copied-read") == []


def test_the_report_says_which_file_the_technician_gave(blanked: Bench) -> None:
    path = blanked.write("back.bin", TAKEN)
    os.utime(path)
    checked(blanked, "back.bin", "after-writing")
    document = parse_document(blanked.in_job("report", "--no-pdf", "--json"), "report")
    (stage,) = [each for each in document["stages"] if each["stage"] == "after-writing"]
    assert stage["given"].startswith("The technician gave the file 'back.bin' (file time 20")
    assert stage["file_sha256"] in stage["given"].replace(" ", "")
    page = next((blanked.job / "reports").glob("*.html")).read_text(encoding="utf-8")
    assert "its bytes cannot show whether it is a copy" in page
