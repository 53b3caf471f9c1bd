"""``benchimage demo``: play the invented jobs on the synthetic images."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
import time
from pathlib import Path

import click

from memtool.cli.types import PATH
from memtool.demo import find_test_images
from memtool.errors import RefusalError, StoreError
from memtool.render.text.terminal import terminal_width, wrap
from memtool.render.words import safe_text
from memtool.store.reading import read_file
from memtool.store.writing import make_folder, write_new
from memtool.workflow.demo import JOBS, DemoStep, list_steps
from memtool.workflow.job_folders import current_folder
from memtool.workflow.jobs import free_path

TRANSCRIPT = "transcript.txt"
"""File in the demo's folder that holds every line."""
MOST_SHOWN = 5
"""Lines that are shown of what a command prints."""
MOST_OF_A_COMMAND = 2
"""Lines that are shown of a long command."""
_OF_CHECKS = tuple(
    f"  {word} " for word in ("fail", "failure", "you decide", "warning", "not checked", "pass")
)
"""How a line about a check begins."""
_AT_WORK = ("searching", "looking")
"""How a line begins that tells how far a long command has come."""


@click.command(
    "demo",
    epilog="""\b
Examples:
  benchimage demo
  benchimage demo /tmp/try
""",
)
@click.argument("folder", metavar="[DIR]", required=False, type=PATH)
@click.option("--debug", is_flag=True, expose_value=False, help="Show error details.")
def command(folder: Path | None) -> int:
    """Play three invented jobs on synthetic images, printing each command that it runs.

    Of each command the lines that matter are shown; the file transcript.txt in DIR has all.
    Everything lies in DIR afterwards, the demo's own backup store included; without DIR in
    a new numbered folder here. Nothing of yours is touched.
    """
    place = current_folder() / (folder or free_path(Path(), "demo", ""))
    if place.is_dir() and any(place.iterdir()):
        raise RefusalError(
            f"'{place}' is not empty", code="output-exists", next_step="name a new folder"
        )
    reads = place / "reads"
    make_folder(reads)
    for path in sorted(find_test_images().iterdir()):
        if path.suffix in (".bin", ".hex", ".toml"):
            write_new(reads / path.name, read_file(path).data)
    _give_times(reads)
    environment = {
        **os.environ,
        "BENCHIMAGE_STORE": str(place / "store"),
        "BENCHIMAGE_LAYOUTS": str(place / "layouts"),
        "COLUMNS": str(terminal_width()),
    }
    told = _Transcript(place / TRANSCRIPT)
    told.show("Three invented jobs on synthetic images; vehicles, parts and people are made up.")
    told.show(f"The lines that matter are shown; all are in {safe_text(str(told.path))}")
    told.show(f"$ cd {safe_text(shlex.quote(str(place)))}")
    told.show("$ export BENCHIMAGE_STORE=$PWD/store BENCHIMAGE_LAYOUTS=$PWD/layouts")
    here = ""
    try:
        for number, step in enumerate(list_steps(), start=1):
            _read_now(reads, step)
            told.show("")
            told.show(f"# {number}. {step.say}")
            if step.folder != here:
                told.show(f"$ cd {step.folder or '..'}")
                here = step.folder
            _run(step, place / step.folder, environment, told)
        told.show("")
        for job in JOBS:
            reports = sorted((place / job / "reports").glob("*.html"))
            told.show(f"The customer file: {safe_text(str(reports[-1]))}")
    finally:
        told.write()
    return 0


class _Transcript:
    """What the demo shows, and beside it all that the commands printed."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lines: list[str] = []

    def show(self, text: str, *, shown: str | None = None) -> None:
        """Keep a text and show it, or what matters of it."""
        self._lines.append(text)
        if shown is None:
            shown = "\n".join(wrap(text, terminal_width())) if text[:1] == "#" else text
        click.echo(shown)

    def write(self) -> None:
        """Into its file."""
        write_new(self.path, ("\n".join(self._lines) + "\n").encode("utf-8"))


def _run(step: DemoStep, folder: Path, environment: dict[str, str], told: _Transcript) -> None:
    """Run one command as a process of its own; show what matters of it, keep all."""
    words = [shlex.quote(word) for word in ("benchimage", *step.arguments)]
    told.show(f"$ {' '.join(words)}", shown=_in_lines(words))
    sys.stdout.flush()
    done = subprocess.run(
        [sys.executable, "-m", "memtool", *step.arguments],
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        encoding="utf-8",
        check=False,
    )
    told.show(done.stdout.rstrip("\n"), shown=_what_matters(done.stdout.splitlines()))
    if done.returncode != step.expected:
        raise StoreError(
            f"'benchimage {step.arguments[0]}' ended with {done.returncode}"
            f" instead of {step.expected}",
            code="demo-differs",
            next_step="run it by hand in the demo's folder",
        )
    if done.returncode:
        why = "some points are for you to decide" if done.returncode == 1 else "nothing was written"
        told.show(f"(exit status {done.returncode}: {why})")


def _what_matters(lines: list[str]) -> str:
    """The sentence that a command answers with, and what it says of checks; not its details."""
    end = next((at for at, line in enumerate(lines) if not line or line.startswith("Next:")), None)
    answer = [line for line in lines[:end] if not line.startswith(_AT_WORK)]
    found: list[str] = answer[:1]
    of_a_check = False
    for line in answer[1:]:
        of_a_check = line.startswith(_OF_CHECKS) or (of_a_check and line.startswith("   "))
        found += [line] * of_a_check
    shown = found if len(found) > 1 else answer
    return "\n".join([*shown[:MOST_SHOWN], *(["  …"] if len(shown) > MOST_SHOWN else [])])


def _in_lines(words: list[str]) -> str:
    """A command in lines that fit, as a shell takes them; of a long one the beginning."""
    lines = ["$"]
    for word in words:
        if len(lines[-1]) + len(word) + 3 <= terminal_width() or lines == ["$"]:
            lines[-1] += f" {word}"
        else:
            lines.append(f"    {word}")
    if len(lines) > MOST_OF_A_COMMAND:
        return " \\\n".join(lines[:MOST_OF_A_COMMAND]) + " …"
    return " \\\n".join(lines)


def _give_times(reads: Path) -> None:
    """The reads were made one after the other within the last hour, as at a real bench."""
    last = time.time()
    for number, path in enumerate(sorted(reads.iterdir()), start=1):
        os.utime(path, (last - 3600 + number, last - 3600 + number))


def _read_now(reads: Path, step: DemoStep) -> None:
    """What a check is given to look at was read just before."""
    if step.arguments[0] == "check":
        for argument in step.arguments[1:]:
            path = reads / Path(argument).name
            if path.is_file():
                os.utime(path)
