"""``benchimage demo``: play the invented jobs on the synthetic images."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
from pathlib import Path

import click

from memtool.cli.session import current_folder
from memtool.cli.shared import PATH
from memtool.demo import find_test_images
from memtool.errors import RefusalError, StoreError
from memtool.render.words import safe_text
from memtool.store.reading import read_file
from memtool.store.writing import make_folder, write_new
from memtool.workflow.demo import JOBS, DemoStep, list_steps
from memtool.workflow.jobs import free_path


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
    """Play two invented jobs on synthetic images, printing each command that it runs.

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
    environment = {
        **os.environ,
        "BENCHIMAGE_STORE": str(place / "store"),
        "BENCHIMAGE_LAYOUTS": str(place / "layouts"),
    }
    click.echo("Two invented jobs on synthetic images; vehicles, parts and people are made up.")
    click.echo(f"$ cd {safe_text(shlex.quote(str(place)))}")
    click.echo("$ export BENCHIMAGE_STORE=$PWD/store BENCHIMAGE_LAYOUTS=$PWD/layouts")
    here = ""
    for number, step in enumerate(list_steps(), start=1):
        click.echo(f"\n# {number}. {step.say}")
        if step.folder != here:
            click.echo(f"$ cd {step.folder or '..'}")
            here = step.folder
        _run(step, place / step.folder, environment)
    click.echo()
    for job in JOBS:
        reports = sorted((place / job / "reports").glob("*.html"))
        click.echo(f"The customer file: {safe_text(str(reports[-1]))}")
    return 0


def _run(step: DemoStep, folder: Path, environment: dict[str, str]) -> None:
    """Run one command as a process of its own, its output as it is."""
    click.echo(f"$ benchimage {shlex.join(step.arguments)}")
    sys.stdout.flush()
    done = subprocess.run(
        [sys.executable, "-m", "memtool", *step.arguments],
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        check=False,
    )
    if done.returncode != step.expected:
        raise StoreError(
            f"'benchimage {step.arguments[0]}' ended with {done.returncode}"
            f" instead of {step.expected}",
            code="demo-differs",
            next_step="run it by hand in the demo's folder",
        )
    if done.returncode:
        click.echo(f"(exit status {done.returncode}: something is left for a person)")
