"""A command that was cut off between its files and its entry: it is named, and ends its work.

The cut is made by taking the last line off the journal: this is what is on the medium when
the power goes after the files and before the entry.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from memtool.store.layouts import read_layout
from tests.workflow.jobs import Bench, Done


def cut(journal: Path) -> str:
    """Take the last entry away; returns its kind. The store did not hear of it yet."""
    for row in journal.parents[1].glob("store/jobs/*.json"):
        row.unlink()
    lines = journal.read_bytes().splitlines(keepends=True)
    journal.write_bytes(b"".join(lines[:-1]))
    return str(json.loads(lines[-1])["kind"])


def kinds(journal: Path) -> list[str]:
    return [json.loads(line)["kind"] for line in journal.read_text().splitlines()]


def attach(bench: Bench) -> Done:
    return bench.in_job("job", "attach", str(bench.folder / "d1.bin"))


def blank(bench: Bench) -> Done:
    return bench.blank("--out", "out.bin")


def convert(bench: Bench) -> Done:
    return bench.in_job("convert", "donor", str(bench.folder / "out.hex"), "--to", "intel-hex")


def inspect(bench: Bench) -> Done:
    return bench.in_job("inspect", "donor", "--html", "page.html")


def compare(bench: Bench) -> Done:
    return bench.in_job("compare", "original", "donor", "--html", "page.html")


def draft(bench: Bench) -> Done:
    return bench.in_job("layout", "draft", "original", "donor", "--out", "draft.toml")


def review(bench: Bench) -> Done:
    """To a name that the command chooses; the draft is made at the first call."""
    path = bench.folder / "draft.toml"
    if not path.exists():
        assert draft(bench).returncode == 0
    layout = read_layout(path).layout
    names = [region.name for region in layout.regions] + [rule.name for rule in layout.checksums]
    accepted = [part for name in names for part in ("--accept", name)]
    return bench.in_job("layout", "review", "draft.toml", "--by", "N. N.", *accepted)


@pytest.mark.parametrize(
    "command", [attach, blank, convert, inspect, compare, draft, review], ids=lambda it: it.__name__
)
def test_the_same_command_again_ends_the_work(
    started: Bench, command: Callable[[Bench], Done]
) -> None:
    journal = started.job / "journal.jsonl"
    assert command(started).returncode in (0, 1)
    before, files = kinds(journal), started.files()
    kind = cut(journal)
    other = started.in_job("job", "show")
    assert "interrupted before it recorded" in other.stderr
    again = command(started)
    assert again.returncode in (0, 1), again.stderr
    assert kinds(journal) == [*before[:-1], "files-intended", kind]
    assert started.files() == files
    assert "cut off" not in started.in_job("job", "show").stderr


def test_a_file_of_another_content_is_not_taken_over(started: Bench) -> None:
    assert blank(started).returncode == 0
    cut(started.job / "journal.jsonl")
    out = started.folder / "out.bin"
    out.chmod(0o644)
    out.write_bytes(b"another")
    done = blank(started)
    assert done.returncode == 3
    assert "exists already" in done.stderr
    assert out.read_bytes() == b"another"
