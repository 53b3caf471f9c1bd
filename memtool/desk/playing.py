"""The demo: plays the invented jobs in a process of its own, then shows them."""

from __future__ import annotations

import subprocess
import sys
from functools import partial
from pathlib import Path

from memtool.desk.results import ResultScreen
from memtool.desk.screen import DeskScreen
from memtool.desk.working import Stopped, Tell
from memtool.errors import StoreError
from memtool.workflow.demo import list_steps
from memtool.workflow.jobs import free_path
from memtool.workflow.places import find_store


def play_demo(screen: DeskScreen) -> None:
    """Play it into a new folder; from then on the desk shows the demo's own store."""
    folder = free_path(screen.desk.folder, "demo", "")
    screen.work(
        "playing three invented jobs",
        partial(_play, folder),
        partial(_show, screen, folder),
        can_stop=True,
    )


def _play(folder: Path, tell: Tell) -> str:
    lines: list[str] = []
    with subprocess.Popen(
        [sys.executable, "-m", "memtool", "demo", str(folder)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        encoding="utf-8",
        errors="replace",
    ) as process:
        assert process.stdout is not None
        number, total = 0, len(list_steps())
        try:
            for line in process.stdout:
                lines.append(line.rstrip("\n"))
                if line.startswith("# "):
                    number += 1
                tell(number, total, f"step {number} of {total}")
        except Stopped:
            process.terminate()
            raise
    if process.returncode != 0:
        raise StoreError(
            "the demo did not play to its end",
            code="demo-differs",
            next_step="run 'benchimage demo' by hand",
            file=str(folder),
        )
    return "\n".join(lines)


def _show(screen: DeskScreen, folder: Path, said: str) -> None:
    screen.desk.use_store(find_store(folder / "store"))
    command = screen.desk.tell("demo", str(folder))
    screen.app.push_screen(ResultScreen(screen.desk, "Demo", lambda: said, command=command))
