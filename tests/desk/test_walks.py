"""A walk over the keys of a job: nothing changes but through Enter, and nothing breaks."""

from __future__ import annotations

import hashlib
import random
from pathlib import Path

import pytest

from memtool.desk.home import HomeScreen
from memtool.desk.job import JobScreen
from memtool.workflow.jobs import open_job
from memtool.workflow.places import open_store
from tests.desk.sitting import Sitting, run, sit_down

SAFE = (
    *("up", "down", "left", "right", "pageup", "pagedown", "home", "end", "tab", "shift+tab"),
    *("escape", "space", "backspace", "slash", "plus", "minus", "1", "0"),
    *"abcdefgiklmnopqrstuvxyz",
    *("f1", "f3", "f4", "f6", "f7", "f8", "ctrl+t"),
)
"""All keys but Enter, those that quit, and the demo, which takes a minute."""


def everything(folder: Path) -> dict[str, str]:
    """Each file of a folder with its digest; locks are no content."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and "lock" not in path.name
    }


async def back_to_job(desk: Sitting, job: Path) -> None:
    """A walk that has left the job opens it again."""
    if isinstance(desk.app.screen, HomeScreen):
        desk.app.push_screen(JobScreen(desk.app.desk, job))
        await desk.settle()


@pytest.mark.parametrize("seed", [1, 2])
def test_no_key_but_enter_changes_a_job(job: Path, seed: int) -> None:
    before = everything(job.parent)
    dice = random.Random(seed)

    async def walk() -> None:
        async with sit_down(job.parent, size=(80, 24), job=job) as desk:
            for _ in range(110):
                await desk.press(dice.choice(SAFE))
                await back_to_job(desk, job)

    run(walk())
    assert everything(job.parent) == before


@pytest.mark.parametrize("seed", [3, 4])
def test_no_walk_with_enter_breaks_the_desk_or_the_job(job: Path, seed: int) -> None:
    dice = random.Random(seed)

    async def walk() -> None:
        async with sit_down(job.parent, size=(80, 24), job=job) as desk:
            for _ in range(90):
                await desk.press(dice.choice((*SAFE, *("enter",) * 12, "f2")))
                await back_to_job(desk, job)

    run(walk())
    opened = open_job(job, store=open_store(job.parent / "store").folder)
    assert len(opened.job.blankings) >= 1
