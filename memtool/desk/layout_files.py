"""The layout files of a job that a person has still to answer for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from memtool.core.chip import is_same_chip
from memtool.core.job.events.kinds import CommandRun
from memtool.desk.layout_words import progress_words
from memtool.errors import MemtoolError
from memtool.render.words import safe_text
from memtool.workflow.jobs import OpenJob, free_path
from memtool.workflow.reviewing import open_review

_DRAFT = "layout"


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundLayout:
    """A layout file that is not reviewed."""

    path: Path
    words: str
    """Its name, and how far its review is; safe to show."""


def find_layouts(opened: OpenJob, memory: str | None) -> list[FoundLayout]:
    """The job's layouts that wait for a review: drafted in it, chosen, or in its folder."""
    found: dict[Path, FoundLayout] = {}
    for path in _files(opened):
        layout = _look_at(path, None if memory is None else opened.job.chip_of(memory))
        if layout is not None:
            found.setdefault(path.resolve(), layout)
    return list(found.values())


def _files(opened: OpenJob) -> Iterator[Path]:
    for event in reversed(opened.job.events):
        if isinstance(event, CommandRun) and event.command == "layout draft":
            out = event.details.get("out")
            if isinstance(out, str):
                yield from _existing(opened, out)
    for chosen in opened.job.layouts:
        if not chosen.reviewed:
            yield from _existing(opened, chosen.path)
    yield from sorted(opened.folder.glob("*.toml"))


def _existing(opened: OpenJob, name: str) -> Iterator[Path]:
    """The file that the journal names: from the job's folder, or from where one stands."""
    for path in (opened.folder / name, Path(name)):
        if path.is_file():
            yield path
            return


def _look_at(path: Path, chip: str | None) -> FoundLayout | None:
    """None: it is no layout of that memory, or reviewed already."""
    try:
        review = open_review(path)
    except MemtoolError:
        return None
    layout = review.loaded.layout
    if layout.reviewed or (chip is not None and not is_same_chip(layout.chip, chip)):
        return None
    words = f"review {path.name}: {layout.name}, {progress_words(review)}"
    return FoundLayout(path=path, words=safe_text(words))


def free_draft(folder: Path, memory: str | None) -> Path:
    """Where a new draft goes: a file that does not exist."""
    stem = memory or _DRAFT
    path = folder / f"{stem}.toml"
    return free_path(folder, stem, ".toml") if path.exists() else path
