"""`backup restore donor` and stage `restored`: a module is given back as received."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.build import blanked_memory
from tests.command_line import parse_document
from tests.workflow.jobs import DONOR, ORIGINAL, Bench
from tests.workflow.two_memories import FLASH, FLASH_DONOR, start_two


def last_entry(bench: Bench) -> dict[str, object]:
    entry: dict[str, object] = json.loads(
        (bench.job / "journal.jsonl").read_text().splitlines()[-1]
    )
    return entry


def test_a_role_stands_for_its_backup_and_the_journal_tells_of_it(blanked: Bench) -> None:
    done = blanked.in_job("backup", "restore", "donor", "--out", "back.bin", "--json")
    document = parse_document(done, "backup-restore")
    assert document["very_file"] is True
    assert (blanked.folder / "back.bin").read_bytes() == DONOR
    entry = last_entry(blanked)
    assert entry["kind"] == "backup-restored"
    assert document["file_sha256"] in json.dumps(entry)


def test_a_read_proves_that_the_module_holds_its_backup_again(blanked: Bench) -> None:
    assert blanked.in_job("backup", "restore", "donor", "--out", "back.bin").returncode == 0
    blanked.write("again.bin", DONOR)
    done = blanked.in_job("check", "again.bin", "--json")
    document = parse_document(done, "check")
    assert (document["stage"], document["verdict"]) == ("restored", "pass")
    report = parse_document(blanked.in_job("report", "--no-pdf", "--json"), "report")
    assert "given back as received" in json.dumps(report)
    assert "restored        pass" in blanked.in_job("job", "show").stdout


def test_a_module_that_still_holds_the_written_file_is_not_given_back(blanked: Bench) -> None:
    blanked.write("again.bin", blanked_memory(DONOR))
    done = blanked.in_job("check", "again.bin", "--stage", "restored", "--json")
    document = parse_document(done, "check")
    assert (done.returncode, document["verdict"]) == (1, "fail")
    assert "does not hold the backup" in document["checks"][0]["text"]
    report = parse_document(blanked.in_job("report", "--no-pdf", "--json"), "report")
    assert "given back as received: it holds" not in json.dumps(report)


def test_the_job_goes_on_after_a_restore(blanked: Bench) -> None:
    assert blanked.in_job("backup", "restore", "donor", "--out", "back.bin").returncode == 0
    blanked.write("again.bin", DONOR)
    assert blanked.in_job("check", "again.bin").returncode == 0
    assert blanked.blank("--out", "second.bin").returncode == 0
    done = blanked.in_job("check", "--json")
    assert parse_document(done, "check")["stage"] == "before-writing"


def test_jobs_in_which_nothing_is_given_back_do_not_ask_for_it(blanked: Bench) -> None:
    assert "restored" not in blanked.in_job("job", "show").stdout


@pytest.mark.parametrize(
    ("name", "expected"), [("original/24c02", ORIGINAL), (f"donor/{FLASH}", FLASH_DONOR)]
)
def test_one_memory_of_several_is_restored_by_name(
    tmp_path: Path, name: str, expected: bytes
) -> None:
    bench = start_two(tmp_path / "bench")
    assert bench.in_job("backup", "restore", "donor", "--out", "x.bin").returncode == 2
    assert bench.in_job("backup", "restore", name, "--out", "x.bin").returncode == 0
    assert (bench.folder / "x.bin").read_bytes() == expected


def test_backup_commands_in_a_job_add_to_its_journal(started: Bench) -> None:
    inside = Bench(started.job)
    store = str(started.folder / "store")
    for command in (("list",), ("check",), ("add", "../d1.bin", "--role", "donor", *SINGLE)):
        assert inside.run("backup", *command, "--store", store).returncode == 0
        assert f"backup {command[0]}" in json.dumps(last_entry(started))


SINGLE = ("--chip", "24C02", "--single-read", "clip broke")


def test_a_broken_journal_stops_no_backup_and_is_named(started: Bench) -> None:
    journal = started.job / "journal.jsonl"
    journal.write_bytes(journal.read_bytes().replace(b"order signed", b"order forged"))
    inside, store = Bench(started.job), str(started.folder / "store")
    done = inside.run("backup", "add", "../d1.bin", "--role", "donor", *SINGLE, "--store", store)
    assert done.returncode == 0
    assert "was not recorded in it" in done.stderr
