"""A job that is read while another run adds to it: read whole, never taken for a damaged one."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any

import pytest

from memtool.workflow.jobs import open_job
from tests.workflow.jobs import Bench


def add_a_note(bench: Bench) -> None:
    assert bench.in_job("job", "note", "beside").returncode == 0


def notes_of(bench: Bench) -> list[str]:
    job = open_job(bench.job, store=bench.folder / "store").job
    return [note.text for note in job.notes]


def test_an_entry_that_comes_while_the_journal_is_read(
    started: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = os.read
    seen: list[str] = []

    def read_and_add(descriptor: int, size: int) -> bytes:
        part = read(descriptor, size)
        name = Path(f"/proc/self/fd/{descriptor}").readlink().name
        if name == "journal.jsonl" and not seen:
            seen.append(name)
            add_a_note(started)
        return part

    monkeypatch.setattr("os.read", read_and_add)
    assert notes_of(started) == ["beside"]
    assert len(seen) == 1


def test_an_entry_that_comes_before_the_stores_row_is_read(
    started: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The row then remembers more entries than were read: a journal that was cut looks so too."""
    open_file = os.open
    seen: list[str] = []

    def add_and_open(path: Any, *arguments: Any, **more: Any) -> int:
        if re.fullmatch(r"[0-9a-f]{16}\.json", str(path)) and not seen:
            seen.append(str(path))
            add_a_note(started)
        return open_file(path, *arguments, **more)

    monkeypatch.setattr("os.open", add_and_open)
    assert notes_of(started) == ["beside"]
    assert len(seen) == 1
