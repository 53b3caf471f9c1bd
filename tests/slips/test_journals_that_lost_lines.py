"""A journal that was cut, emptied, moved away or replaced is named, with what is missing.

The store knows each job, so what is gone from the job's folder alone is noticed.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.workflow.jobs import Bench


@pytest.fixture
def known(started: Bench) -> Bench:
    """A bench whose store knows that this is the job's folder."""
    assert started.in_job("job", "note", "one").returncode == 0
    assert started.in_job("job", "note", "two").returncode == 0
    return started


def journal_of(bench: Bench) -> Path:
    return bench.job / "journal.jsonl"


@pytest.mark.parametrize("gone", [1, 2])
def test_cut_last_lines_are_named(known: Bench, gone: int) -> None:
    lines = journal_of(known).read_bytes().splitlines(keepends=True)
    journal_of(known).write_bytes(b"".join(lines[:-gone]))
    words = "the last entry is missing" if gone == 1 else "the last 2 entries are missing"
    for command in (("job", "show"), ("job", "note", "three"), ("report",)):
        done = known.in_job(*command)
        assert done.returncode == 4, done.stderr
        assert words in done.stderr
        assert f"remembers {len(lines)}, and {len(lines) - gone} are there" in done.stderr


def test_half_of_the_last_line_is_not_taken_for_a_crash(known: Bench) -> None:
    data = journal_of(known).read_bytes()
    journal_of(known).write_bytes(data[:-40])
    done = known.in_job("job", "show")
    assert done.returncode == 4
    assert "the last entry is missing" in done.stderr


@pytest.mark.parametrize("how", ["moved away", "emptied"])
def test_a_journal_that_is_gone_is_named(known: Bench, how: str) -> None:
    count = len(journal_of(known).read_bytes().splitlines())
    if how == "moved away":
        journal_of(known).rename(known.folder / "elsewhere.jsonl")
    else:
        journal_of(known).write_bytes(b"")
    commands = [("job", "show"), ("start", "--vehicle-vin", "1G4AH59H45G118341")]
    for command in commands:
        done = known.in_job(*command)
        assert done.returncode == 4, done.stderr
        assert f"remembers a job of {count} entries" in done.stderr
        assert "journal.jsonl" in done.stderr


def test_a_journal_of_another_job_in_its_place_is_named(known: Bench) -> None:
    order = ("--vehicle-vin", "1G4AH59H45G118341", "--module-kind", "body", "--authority", "seen")
    done = known.run("start", "--job", "other", *order)
    assert done.returncode in (0, 1), done.stderr
    other = known.folder / "other" / "journal.jsonl"
    journal_of(known).write_bytes(other.read_bytes())
    (known.folder / "store" / "jobs").joinpath(f"{_id_of(other)}.json").unlink()
    done = known.in_job("job", "show")
    assert done.returncode == 4
    assert "a different journal" in done.stderr


def test_a_journal_that_goes_on_another_way_is_named(known: Bench) -> None:
    lines = journal_of(known).read_bytes().splitlines(keepends=True)
    journal_of(known).write_bytes(b"".join(lines[:-1]))
    row = next((known.folder / "store" / "jobs").glob("*.json"))
    remembered = row.read_bytes()
    row.unlink()
    for text in ("another two", "three"):
        assert known.in_job("job", "note", text).returncode == 0
    row.write_bytes(remembered)
    done = known.in_job("job", "show")
    assert done.returncode == 4
    assert f"its entry {len(lines)} is not the one" in done.stderr


def test_a_job_that_was_deleted_whole_gives_its_place_free(known: Bench) -> None:
    known.job.rename(known.folder / "moved")
    assert known.in_job("job", "show").returncode == 2
    assert known.run("job", "show", "--job", "moved").returncode == 0
    assert known.start().returncode == 0


def test_a_store_that_does_not_know_the_job_takes_it_as_it_is(known: Bench) -> None:
    lines = journal_of(known).read_bytes().splitlines(keepends=True)
    journal_of(known).write_bytes(b"".join(lines[:-1]))
    for row in (known.folder / "store" / "jobs").glob("*.json"):
        row.unlink()
    assert known.in_job("job", "show").returncode == 0


def test_an_address_beyond_32_bits_leaves_the_journal_as_it_was(started: Bench) -> None:
    before = journal_of(started).read_bytes()
    done = started.in_job("start", "--original", "o1.bin", "--base", "0x100000000")
    assert done.returncode in (2, 3, 4), done.stderr
    assert journal_of(started).read_bytes() == before
    assert started.in_job("job", "show").returncode == 0


def test_a_plan_of_many_bytes_lies_in_a_file_and_the_journal_stays_short(bench: Bench) -> None:
    size = 1 << 18
    layout = f"""\
[layout]
name = "large"
chip = "{size}"
size = {size}
module = "body"
reviewed = true

[[region]]
name = "VIN"
span = "0x00+17"
kind = "vehicle-identity"
type = "vin"

[[region]]
name = "log"
span = "0x1000-0x{size - 1:X}"
kind = "state"
"""
    bench.write("module.toml", layout.encode())
    data = b"1M8GDM9AXKP042788" + bytes(4079) + bytes(range(1, 256)) * 2048
    for name in ("d1.bin", "d2.bin"):
        bench.write(name, data[:size])
    done = bench.in_job(
        *(
            "start",
            "--chip",
            str(size),
            "--layout",
            "module.toml",
            "--original-unreadable",
            "burnt",
        ),
        *("--donor", "d1.bin", "--donor", "d2.bin", "--reseated"),
        *("--vehicle-vin", "1G4AH59H45G118341", "--module-kind", "body", "--authority", "seen"),
    )
    assert done.returncode in (0, 1), done.stderr
    for number in range(3):
        done = bench.blank("--out", f"out-{number}.bin")
        assert done.returncode == 0, done.stderr
    lines = journal_of(bench).read_bytes().splitlines()
    assert max(map(len, lines)) < 64 * 1024
    named = [line for line in map(json.loads, lines) if "facts_file" in line["facts"]]
    assert len(named) == 3
    assert bench.in_job("job", "show").returncode == 0
    done = bench.in_job("report", "--no-pdf")
    assert done.returncode in (0, 1), done.stderr
    path = bench.job / named[0]["facts"]["facts_file"]
    path.chmod(0o600)
    path.write_bytes(path.read_bytes().replace(b'"edits"', b'"edit5"'))
    done = bench.in_job("job", "show")
    assert done.returncode == 4
    assert path.name in done.stderr


def _id_of(journal: Path) -> str:
    return str(json.loads(journal.read_bytes().splitlines()[0])["sha256"])[:16]
