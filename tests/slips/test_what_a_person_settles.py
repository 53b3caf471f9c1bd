"""An area that reads as one value, and a region that is no module identity: a person says so."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.build import LAYOUT, module_memory
from tests.hostile.forked import Ended, run_forked
from tests.workflow.jobs import KEEP, ORDER, ORIGINAL

pytestmark = pytest.mark.skipif(
    not hasattr(os, "fork") or sys.platform == "darwin", reason="commands run in forks"
)
MASKED = module_memory(secret=b"\xff" * 16)
OTHER_WORD = LAYOUT.replace(
    'span = "0x00-0x0F"\nkind = "module-identity"\ntype = "ascii"',
    'span = "0x00-0x0F"\nkind = "state"\ntype = "ascii"',
).replace('"test module"', '"another"')
"""A layout in which the serial number is a state, which `blank` erases."""
NAMED = ("--by", "N. N.", "--reason", "the number is the vehicle's, see the maker's table")


class Settling:
    """A job on files in a folder of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def put(self, name: str, data: bytes) -> str:
        (self.folder / name).write_bytes(data)
        return name

    def run(self, *arguments: str, expected: int) -> Ended:
        ended = run_forked([*arguments, "--job", "job"], cwd=self.folder)
        assert ended.status == expected, (arguments, ended.stdout, ended.stderr)
        return ended

    def document(self, *arguments: str, expected: int) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.run(*arguments, "--json", expected=expected).stdout)
        return found

    def start(self, donor: bytes, *more: str) -> None:
        given = []
        for role, data in (("original", ORIGINAL), ("donor", donor)):
            for number in "12":
                given += [f"--{role}", self.put(f"{role}{number}.bin", data)]
        self.put("module.toml", LAYOUT.encode())
        self.run(
            *("start", "--chip", "24C02", "--layout", "module.toml", "--reseated"),
            *(*given, *ORDER, *more),
            expected=0,
        )

    def blank(self, *more: str, expected: int) -> Ended:
        confirmed = ("--out", "out.bin", "--confirm", "042788")
        return self.run("blank", "donor", *KEEP, *more, *confirmed, expected=expected)


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Settling:
    monkeypatch.setenv("BENCHIMAGE_STORE", str(tmp_path / "store"))
    monkeypatch.setenv("BENCHIMAGE_LAYOUTS", str(tmp_path / "library"))
    return Settling(tmp_path)


def areas(job: Settling) -> list[dict[str, Any]]:
    found = job.document("check", "--stage", "donor", expected=1)["checks"]
    return [row for row in found if row["code"] == "read-areas"]


def report_of(job: Settling) -> str:
    job.run("report", "--no-pdf", expected=0)
    page = sorted((job.folder / "job" / "reports").glob("*.html"))[-1]
    return " ".join(page.read_text(encoding="utf-8").split())


def test_a_person_decides_that_an_area_is_really_empty(job: Settling) -> None:
    job.start(MASKED)
    assert "read-areas" in job.blank(expected=3).stderr
    (point,) = areas(job)
    assert point["result"] == "decide"
    assert point["spans"] == [{"start": 0x80, "end": 0x90}]
    job.run("job", "decide", "read-areas", ".", "--name", "N. N.", expected=2)
    assert "read-areas" in job.blank(expected=3).stderr
    reason = "never taught: delivered without keys"
    job.run("job", "decide", "read-areas", reason, "--name", "N. N.", expected=0)
    job.blank(expected=0)
    assert (job.folder / "out.bin").read_bytes()[0x80:0x90] == b"\xff" * 16
    assert not areas(job), "what is settled is no point any more"
    shown = report_of(job)
    assert "0x0080-0x008F" in shown
    assert f"a person decided that it is really empty (N. N.): {reason}" in shown


def test_what_was_said_of_one_donor_is_not_said_of_the_next(job: Settling) -> None:
    job.start(MASKED)
    areas(job)
    job.run("job", "decide", "read-areas", "never taught", "--name", "N. N.", expected=0)
    other = bytearray(MASKED)
    other[0xA0] ^= 0xFF
    given = [word for n in "34" for word in ("--donor", job.put(f"d{n}.bin", bytes(other)))]
    replaced = [word for n in "12" for word in ("--replaces", f"donor{n}.bin")]
    job.run("start", *given, *replaced, "--reason", "another module", "--reseated", expected=0)
    assert "read-areas" in job.blank(expected=3).stderr
    assert len(areas(job)) == 1


def test_a_second_method_that_agrees_settles_an_area(job: Settling) -> None:
    job.start(MASKED)
    areas(job)
    decide = ("job", "decide", "read-areas", "read again over the debug port", "--name", "N. N.")
    for name, data in (
        ("shows.bin", module_memory()),
        ("zeros.bin", module_memory(secret=bytes(16))),
        ("short.bin", MASKED[:0x88]),
    ):
        job.put(name, data)
        refused = job.run(*decide, "--second-method", name, expected=3)
        assert "the two methods do not agree" in refused.stderr
    kept = str(next((job.folder / "store" / "files").iterdir()))
    own = job.run(*decide, "--second-method", kept, expected=3)
    assert "benchimage wrote or keeps" in own.stderr
    assert "read-areas" in job.blank(expected=3).stderr
    job.put("second.bin", MASKED)
    job.run(*decide, "--second-method", "second.bin", expected=0)
    job.blank(expected=0)
    assert "a second method of reading agrees (N. N.)" in report_of(job)


def test_a_second_method_is_no_answer_to_another_point(job: Settling) -> None:
    job.start(MASKED)
    areas(job)
    job.put("second.bin", MASKED)
    decide = ("job", "decide", "module-identity", "catalogue", "--name", "N. N.")
    job.run(*decide, "--second-method", "second.bin", expected=2)


def test_a_region_leaves_protection_by_the_review_of_that_very_region(job: Settling) -> None:
    job.start(module_memory())
    job.put("another.toml", OTHER_WORD.encode())
    by_it = ("--layout", "another.toml")
    assert "protected-untouched" in job.blank(*by_it, expected=3).stderr
    review = ("layout", "review", "another.toml", "--release")
    for refused, status in (
        ((*review, "0x00-0x0F", "--by", "N. N."), 2),
        ((*review, "0x00-0x0F", "--by", ".", "--reason", "a reason"), 2),
        ((*review, "0x00-0x0E", *NAMED), 3),
        ((*review, "0x80-0x8F", *NAMED), 3),
        (("layout", "review", "module.toml", "--release", "0x00-0x0F", *NAMED), 3),
    ):
        job.run(*refused, expected=status)
        assert "protected-untouched" in job.blank(*by_it, expected=3).stderr
    released = job.document(*review, "0x00-0x0F", *NAMED, expected=0)["released"]
    assert (released["start"], released["end"]) == (0, 16)
    job.blank(*by_it, expected=0)
    assert (job.folder / "out.bin").read_bytes()[:16] == b"\xff" * 16
    shown = report_of(job)
    assert "N. N. reviewed the module identity at 0x0000-0x000F" in shown
    assert "the number is the vehicle&#39;s, see the maker&#39;s table" in shown


def test_what_any_layout_protects_is_never_released(job: Settling) -> None:
    job.start(module_memory())
    over = OTHER_WORD.replace('kind = "state"\ntype = "ascii"', 'kind = "protected"')
    job.put("over.toml", over.encode())
    job.put("another.toml", OTHER_WORD.encode())
    job.run("inspect", "donor", "--layout", "over.toml", expected=0)
    refused = job.run(
        *("layout", "review", "another.toml", "--release", "0x00-0x0F", *NAMED), expected=3
    )
    assert "are never released" in refused.stderr
    assert "protected-untouched" in job.blank("--layout", "another.toml", expected=3).stderr
