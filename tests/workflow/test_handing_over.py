"""`job export` and `job adopt`: one archive, verified by common tools, opened elsewhere."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import zipfile
from pathlib import Path

import pytest

from tests.build import blanked_memory
from tests.command_line import parse_document
from tests.workflow.jobs import DONOR, KEEP, Bench

TOP = "job-job"


@pytest.fixture
def unpacked(blanked: Bench) -> Path:
    """The archive of a blanked job, unpacked on a machine that has another store."""
    done = blanked.in_job("job", "export", "whole.zip")
    assert done.returncode == 0, done.stderr
    # The standard library's reader; the archive is made for any tool that opens ZIP files.
    elsewhere = blanked.folder / "elsewhere"
    shutil.unpack_archive(blanked.folder / "whole.zip", elsewhere)
    return elsewhere / TOP


def test_the_archive_holds_the_job_and_every_read_and_its_digest_is_recorded(
    blanked: Bench,
) -> None:
    before = (blanked.job / "journal.jsonl").read_bytes()
    document = parse_document(blanked.in_job("job", "export", "whole.zip", "--json"), "job-export")
    data = (blanked.folder / "whole.zip").read_bytes()
    digest = hashlib.sha256(data).hexdigest()
    assert (document["sha256"], document["size"]) == (digest, len(data))
    with zipfile.ZipFile(blanked.folder / "whole.zip") as archive:
        assert archive.testzip() is None
        names = set(archive.namelist())
        assert archive.read(f"{TOP}/job/journal.jsonl") == before
        assert archive.read(f"{TOP}/job/files/to-write-24C02-1.bin") == blanked_memory(DONOR)
        read = archive.read(f"{TOP}/backups/files/{hashlib.sha256(DONOR).hexdigest()}")
    assert read == DONOR
    assert len(names) == document["files"] + 1
    assert digest in (blanked.job / "journal.jsonl").read_text().splitlines()[-1]


def test_an_archive_that_exists_is_not_overwritten(blanked: Bench) -> None:
    mine = blanked.write("whole.zip", b"mine")
    assert blanked.in_job("job", "export", "whole.zip").returncode == 3
    assert mine.read_bytes() == b"mine"


def test_sha256sum_verifies_what_was_unpacked(unpacked: Path) -> None:
    # GNU coreutils "sha256sum invocation": -c reads FILEs and checks them.
    checked = ("sha256sum", "--strict", "-c", "SHA256SUMS")
    done = subprocess.run(checked, cwd=unpacked, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    listed = {line[66:] for line in (unpacked / "SHA256SUMS").read_text().splitlines()}
    there = {
        path.relative_to(unpacked).as_posix() for path in unpacked.rglob("*") if path.is_file()
    }
    assert there == listed | {"SHA256SUMS"}


def test_the_backups_in_it_are_a_sound_store_by_themselves(unpacked: Path) -> None:
    done = Bench(unpacked).run("backup", "check", "--store", "backups")
    assert done.returncode == 0, done.stdout


def test_an_adopted_job_goes_on_with_another_store(unpacked: Path) -> None:
    other = Bench(unpacked)
    missing = other.in_job("blank", "donor", *KEEP, "--confirm", "042788", "--json")
    error = parse_document(missing, "error")
    assert (missing.returncode, error["code"]) == (5, "unknown-to-store")
    assert "job adopt" in error["next"]
    adopted = parse_document(other.run("job", "adopt", ".", "--json"), "job-adopt")
    assert len(adopted["copied"]) == 2
    again = parse_document(other.run("job", "adopt", "job", "--json"), "job-adopt")
    assert again["copied"] == []
    done = other.in_job("blank", "donor", *KEEP, "--confirm", "042788", "--out", "new.bin")
    assert done.returncode == 0, done.stderr
    assert (unpacked / "new.bin").read_bytes() == blanked_memory(DONOR)


@pytest.mark.parametrize("named", [".", "job", ".."], ids=["itself", "the job", "around it"])
def test_the_archive_is_found_from_the_folder_around_it_and_from_the_one_within(
    unpacked: Path, named: str
) -> None:
    done = Bench(unpacked).run("job", "adopt", named, "--json")
    assert done.returncode == 0, done.stderr
    assert parse_document(done, "job-adopt")["verified"] is not None


def test_of_two_archives_in_one_folder_none_is_guessed(unpacked: Path) -> None:
    shutil.copytree(unpacked, unpacked.parent / "another")
    assert Bench(unpacked).run("job", "adopt", "..").returncode == 2


def test_a_file_that_was_changed_on_the_way_is_named_and_nothing_is_adopted(
    unpacked: Path,
) -> None:
    changed = unpacked / "job" / "files" / "to-write-24C02-1.bin"
    changed.write_bytes(changed.read_bytes()[:-1] + b"\x00")
    done = Bench(unpacked).run("job", "adopt", ".", "--json")
    error = parse_document(done, "error")
    assert (done.returncode, error["code"]) == (5, "archive-changed")
    assert error["file"].endswith("to-write-24C02-1.bin")
    assert not (unpacked / "store").exists()


@pytest.mark.parametrize("name", ["../secret.txt", "/etc/hostname", "job/../../secret.txt"])
def test_a_list_of_digests_that_leads_out_of_the_archive_is_refused(
    unpacked: Path, name: str
) -> None:
    """An archive from elsewhere may name any file: its digest would tell what is in it."""
    (unpacked.parent / "secret.txt").write_bytes(b"secret")
    there = Path("/etc/hostname").read_bytes() if name.startswith("/") else b"secret"
    sums = unpacked / "SHA256SUMS"
    sums.write_text(sums.read_text() + f"{hashlib.sha256(there).hexdigest()}  {name}\n")
    done = Bench(unpacked).run("job", "adopt", ".", "--json")
    assert done.returncode in (4, 5), done.stdout
    assert not (unpacked / "store").exists()


@pytest.mark.parametrize("store", ["nowhere", "empty", "another"])
@pytest.mark.parametrize(
    "command",
    [
        ("blank", "donor", "--dry-run"),
        ("start", "--complaint", "dead"),
    ],
)
def test_a_store_that_does_not_know_the_job_or_is_out_of_reach_says_so(
    started: Bench, store: str, command: tuple[str, ...]
) -> None:
    (started.folder / "empty").mkdir()
    if store == "another":
        other = ("--role", "donor", "--chip", "24C02", "--store", store)
        assert started.run("backup", "add", "o1.bin", "o2.bin", *other).returncode == 0
    done = started.in_job(*command, "--store", store, "--json")
    error = parse_document(done, "error")
    assert (done.returncode, error["code"]) == (5, "unknown-to-store")
    assert "job adopt" in error["next"]
    assert ("out of reach" in error["message"]) is (store == "nowhere")


def test_a_moved_job_is_adopted_where_the_store_has_its_backups(blanked: Bench) -> None:
    blanked.job.rename(blanked.folder / "moved")
    done = parse_document(blanked.run("job", "adopt", "moved", "--json"), "job-adopt")
    assert (done["verified"], done["copied"]) == (None, [])
