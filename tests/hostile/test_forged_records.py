"""Journals, records and answers with right digests whose values nobody would write.

Digests are right, as whoever edits by hand could make them; so only the reader of the values
stands between them and the command. Each value in turn becomes hostile text, then something
of another type.
"""

from __future__ import annotations

import copy
import hashlib
import json
import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from memtool.errors import MemtoolError
from memtool.render.text.backup_view import render_list
from memtool.render.text.job_view import job_document, render_job
from memtool.store.backups import BackupStore
from memtool.workflow.context import open_context
from memtool.workflow.jobs import open_job
from memtool.workflow.places import find_store
from memtool.workflow.report import gather_report
from memtool.workflow.reviewing import Answer, Answered, finish_review, give_answers, open_review
from tests.command_line import run_benchimage
from tests.faults.bench import blank_arguments, open_bench
from tests.hostile.at_terminal import EVIL, faults_of, run_at_terminal
from tests.hostile.forked import run_forked

Place = tuple[str | int, ...]
HOSTILE = f"{EVIL}\nEVIL-LINE <b>[red]"
NOW = datetime(2026, 3, 1, 10, tzinfo=UTC)
KEEP = ("--keep", "0x40+4", "--reason", "counter")
VALUES: tuple[Any, ...] = (
    *(HOSTILE, "", -1, 10**40, True, None, [], {"a": [1]}, ["\ud800"], [{}]),
)


def places_of(value: Any, here: Place = ()) -> Iterator[Place]:
    """Every member of a JSON value, at any depth."""
    items = value.items() if isinstance(value, dict) else enumerate(value)
    for key, part in items:
        yield (*here, key)
        if isinstance(part, dict | list):
            yield from places_of(part, (*here, key))


def put(value: Any, place: Place, new: Any) -> Any:
    changed = copy.deepcopy(value)
    at = changed
    for key in place[:-1]:
        at = at[key]
    at[place[-1]] = new
    return changed


def read_lines(path: Path) -> list[dict[str, Any]]:
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    for line in lines:
        del line["sha256"]
    return lines


def write_lines(path: Path, lines: list[dict[str, Any]]) -> None:
    """With every digest and the whole chain made right; the rule is that of the journal's text."""
    text, previous = b"", "0" * 64
    for line in lines:
        rest = json.dumps(line | {"previous": previous})[1:].encode() + b"\n"
        previous = hashlib.sha256(rest).hexdigest()
        text += b'{"sha256": "' + previous.encode() + b'", ' + rest
    path.write_bytes(text)


@pytest.fixture(scope="module")
def pristine(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job with an entry of every kind that the folding knows, a store, and a half review."""
    place = tmp_path_factory.mktemp("pristine")
    open_bench(place)
    (place / "label.txt").write_text("label")
    store = ("--store", "store")
    for arguments in (
        ["blank", "donor", "--job", "job", *store, "--dry-run", *KEEP],
        blank_arguments("--out", "out.bin"),
        ["job", "note", "text", "--job", "job"],
        ["job", "attach", "label.txt", "--caption", "c", "--job", "job"],
        ["check", "--stage", "donor", "--job", "job", *store],
        ["check", "--stage", "after-setup", "--codes", "none", "--job", "job", *store],
    ):
        done = run_benchimage(*arguments, cwd=place)
        assert done.returncode in (0, 1), done.stderr
    review = open_review(place / "module.toml")
    first, second, *_ = review.guesses
    answers = {
        first.name: Answered(answer=Answer.ACCEPT),
        second.name: Answered(answer=Answer.CHANGE, change={"name": "new name"}),
    }
    give_answers(review, answers, by="N. N.", now=NOW)
    return place


@pytest.fixture
def bench(pristine: Path, tmp_path: Path) -> Path:
    return shutil.copytree(pristine, tmp_path / "bench")


def forge_one_by_one(
    journal: Path, look: Callable[[], str], values: Sequence[Any] = VALUES
) -> dict[str, int]:
    """Each value in each place of each line, one at a time; how many were told and refused."""
    lines = read_lines(journal)
    count = {"told": 0, "refused": 0}
    for number, line in enumerate(lines):
        for place in places_of(line):
            for value in values:
                forged = [*lines[:number], put(line, place, value), *lines[number + 1 :]]
                write_lines(journal, forged)
                where = f"line {number + 1}, {line['kind']}, {place}, {value!r}"
                count["told" if is_told(look, where) else "refused"] += 1
    write_lines(journal, lines)
    return count


def is_told(look: Callable[[], str], where: str) -> bool:
    """Whether the look gives text; a refusal must be one plain sentence."""
    told, refusal = "", None
    try:
        told = look()
    except MemtoolError as error:
        refusal = str(error)
    except Exception as error:
        raise AssertionError(f"{where}: {error!r}") from error
    assert faults_of(told) == [], f"{where}: {told}"
    assert refusal is None or len(refusal) < 600, where
    return refusal is None


def test_a_forged_journal_of_a_job_is_told_or_refused(bench: Path) -> None:
    kinds = {line["kind"] for line in read_lines(bench / "job" / "journal.jsonl")}
    assert kinds >= {"job-opened", "reads-kept", "layout-chosen", "image-blanked", "note"}
    assert kinds >= {"attached", "stage-checked"}

    def look() -> str:
        job = open_job(bench / "job").job
        assert json.dumps(job_document("job", job)).isascii()
        return render_job("job", job)

    count = forge_one_by_one(bench / "job" / "journal.jsonl", look)
    assert count["told"] > 300
    assert count["refused"] > 900


def test_a_report_of_a_forged_journal_is_gathered_or_refused(bench: Path) -> None:
    store = BackupStore(bench / "store")

    def look() -> str:
        return ascii(gather_report(open_job(bench / "job"), store, is_shop_copy=False))

    values = (10**40, "a\0b", "../../../etc/passwd")
    count = forge_one_by_one(bench / "job" / "journal.jsonl", look, values)
    assert count["told"] > 100
    assert count["refused"] > 300


def test_forged_answers_to_a_review_are_taken_or_refused(bench: Path) -> None:
    def look() -> str:
        review = open_review(bench / "module.toml")
        rest = {guess.name: Answered(answer=Answer.ACCEPT) for guess in review.open}
        full = replace(review, answers={**review.answers, **rest})
        out = bench / "reviewed.toml"
        out.unlink(missing_ok=True)
        context = open_context(job=None, stores=find_store(bench / "store"))
        return finish_review(full, out, context, by="N. N.", now=NOW).layout.name

    count = forge_one_by_one(bench / "module.toml.review.jsonl", look)
    assert count["told"] > 50
    assert count["refused"] > 50


def test_forged_records_of_a_store_are_told_or_refused(bench: Path) -> None:
    """Their names hold the digests of their content, which are right here."""
    folder = bench / "store" / "records"
    record = sorted(folder.iterdir())[0]
    number, members = record.name[:6], json.loads(record.read_bytes())
    record.unlink()

    def look() -> str:
        store = BackupStore(bench / "store")
        assert store.check()
        return render_list(store.entries())

    count = {True: 0, False: 0}
    for place in places_of(members):
        for value in VALUES:
            data = (json.dumps(put(members, place, value), indent=2) + "\n").encode()
            forged = folder / f"{number}-{hashlib.sha256(data).hexdigest()}.json"
            forged.write_bytes(data)
            where = f"{place}, {value!r}"
            count[is_told(look, where)] += 1
            if value == HOSTILE:
                for command in (["check"], ["list"]):
                    done = run_forked(["backup", *command, "--store", "store"], cwd=bench)
                    assert faults_of(done.stdout + done.stderr) == [], where
                    assert done.status in (0, 5), f"{where}: {done.stderr}"
            forged.unlink()
    assert count[True] > 100


COMMANDS = (
    ["job", "show", "--job", "job"],
    ["report", "--no-pdf", "--job", "job", "--store", "store"],
    ["report", "--no-pdf", "--shop", "--job", "job", "--store", "store", "--json"],
    ["check", "--stage", "donor", "--job", "job", "--store", "store"],
    ["check", "--stage", "before-writing", "--job", "job", "--store", "store"],
    ["check", "d1.bin", "--stage", "after-writing", "--job", "job", "--store", "store"],
    ["blank", "donor", "--job", "job", "--store", "store", "--dry-run", *KEEP],
    ["job", "note", "text", "--job", "job"],
)


def test_every_command_takes_a_journal_full_of_hostile_text(bench: Path) -> None:
    """Each text becomes hostile where the journal can still be read with it."""
    journal = bench / "job" / "journal.jsonl"
    lines = read_lines(journal)
    count = 0
    for number, line in enumerate(lines):
        for place in places_of(line):
            forged = put(lines[number], place, HOSTILE)
            write_lines(journal, [*lines[:number], forged, *lines[number + 1 :]])
            is_text = isinstance(_at(line, place), str)
            if is_text and place not in _KEPT and is_told(lambda: _opened(bench), str(place)):
                lines[number] = forged
                count += 1
    assert count > 60
    write_lines(journal, lines)
    for command in COMMANDS:
        # The report asks for what page one lacks.
        status, shown = run_at_terminal(list(command), cwd=bench, typed=(("skip): ",), "\n"))
        assert status in (0, 1, 2, 3, 4, 5), f"{command}: {shown}"
        assert "Traceback" not in shown
        assert faults_of(shown) == [], f"{command}: {shown}"
    for page in (bench / "job").rglob("*.html"):
        text = page.read_text(encoding="utf-8")
        assert faults_of(text.replace("\t", " ")) == [], page.name
        assert "EVIL" in text


_KEPT = {("kind",), ("facts", "backup"), ("facts", "sha256"), ("facts", "chip")}
"""With these changed no command would come as far as to the others."""


def _opened(bench: Path) -> str:
    return ascii(open_job(bench / "job").job.opened)


def _at(value: Any, place: Place) -> Any:
    for key in place:
        value = value[key]
    return value
