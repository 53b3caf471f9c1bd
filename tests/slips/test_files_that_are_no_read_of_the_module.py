"""A read of the module comes from the reader: no name and no file of the job stands for one."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.command_line import parse_document
from tests.workflow.jobs import DONOR, Bench

STAGES = ("after-writing", "after-setup", "restored")
NAMES = ("donor", "to-write", "to-write/24c02", "original/24c02", "24c02=donor/24c02")


def assert_is_refused(bench: Bench, name: str | Path, stage: str, *more: str) -> None:
    done = bench.in_job("check", name, "--stage", stage, *more)
    assert done.returncode == 3, (name, stage, done.stdout, done.stderr)
    assert "no read of the module" in done.stderr


@pytest.mark.parametrize("stage", STAGES)
def test_no_name_of_an_image_of_the_job_is_a_read(blanked: Bench, stage: str) -> None:
    for name in NAMES:
        assert_is_refused(blanked, name, stage)


@pytest.mark.parametrize("name", ["donor", "donor/24c02"])
def test_no_name_of_the_job_is_a_fresh_read_of_the_module(blanked: Bench, name: str) -> None:
    done = blanked.in_job("check", "--stage", "before-writing", "--target", name)
    assert done.returncode == 3
    assert "no read of the module" in done.stderr


def test_the_file_that_was_written_where_the_technician_asked(bench: Bench) -> None:
    assert bench.start().returncode in (0, 1)
    (bench.folder / "out").mkdir()
    assert bench.blank("--out", "out/new.bin").returncode == 0
    written = bench.folder / "out" / "new.bin"
    os.link(written, bench.folder / "hard.bin")
    (bench.folder / "soft.bin").symlink_to(written)
    for name in ("out/new.bin", written, "out/../out/new.bin", "hard.bin", "soft.bin"):
        assert_is_refused(bench, name, "after-writing")


def test_a_backup_in_the_store_by_its_path_or_a_link(blanked: Bench) -> None:
    copies = [path for path in (blanked.folder / "store").rglob("*") if path.stat().st_size == 256]
    stored = next(path for path in copies if path.is_file())
    os.link(stored, blanked.folder / "hard.bin")
    (blanked.folder / "soft.bin").symlink_to(stored)
    for name in (stored, "hard.bin", "soft.bin"):
        assert_is_refused(blanked, name, "after-setup")


def test_a_backup_that_was_given_back_as_a_file(blanked: Bench) -> None:
    restored = ("backup", "restore", "donor", "--out", "back.bin")
    assert blanked.in_job(*restored).returncode == 0
    assert_is_refused(blanked, "back.bin", "restored")


def test_a_read_from_before_is_no_module_that_was_given_back(started: Bench) -> None:
    started.write("again.bin", DONOR)
    done = started.in_job("check", "again.bin", "--stage", "restored", "--json")
    document = parse_document(done, "check")
    assert (done.returncode, document["verdict"]) == (1, "incomplete")
    row = next(row for row in document["checks"] if row["code"] == "restored")
    assert row["result"] == "decide"
    assert "this job gave none back" in row["text"]


def test_whatever_lies_in_the_jobs_own_folders(blanked: Bench) -> None:
    own = next((blanked.job / "files").glob("to-write-*"))
    for name in ("job/files/mine.bin", "job/reports/mine.bin", "store/mine.bin"):
        blanked.write(name, own.read_bytes())
        assert_is_refused(blanked, name, "after-writing")


def test_the_kept_copy_of_an_earlier_read(blanked: Bench) -> None:
    finished = (blanked.folder / "d1.bin").read_bytes()
    blanked.write("finished.bin", finished)
    blanked.in_job("check", "finished.bin", "--stage", "after-setup")
    kept = next((blanked.job / "files").glob("after-setup-*"))
    os.link(kept, blanked.folder / "hard.bin")
    assert_is_refused(blanked, kept, "after-setup")
    assert_is_refused(blanked, "hard.bin", "after-writing")


def test_other_letters_in_the_name_on_a_disk_that_does_not_tell_them(blanked: Bench) -> None:
    own = next((blanked.job / "files").glob("to-write-*"))
    shouted = own.with_name(own.name.upper())
    if not shouted.exists():
        # This disk tells the letters apart: the other name is made as a link, as the same file.
        shouted = blanked.folder / shouted.name
        os.link(own, shouted)
    assert_is_refused(blanked, shouted, "after-writing")
