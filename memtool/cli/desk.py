"""``benchimage desk``: the same job full screen."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import click

from memtool.cli.types import PATH
from memtool.desk.app import run_desk
from memtool.desk.session import Session
from memtool.errors import UsageError
from memtool.workflow.job_folders import current_folder, find_job_folder
from memtool.workflow.places import find_store


@click.command(
    "desk",
    epilog="""\b
Examples:
  benchimage desk
  benchimage desk order-17
""",
)
@click.argument("folder", metavar="[DIR]", required=False, type=PATH)
@click.option("--debug", is_flag=True, expose_value=False, help="Show error details.")
@click.option("--store", type=PATH, envvar="BENCHIMAGE_STORE", help="Folder of the backup store.")
def command(folder: Path | None, store: Path | None) -> int:
    """The same job full screen: files to pick, memories and stages at a glance.

    DIR is a job's folder, or the folder in which jobs and reads lie; otherwise the current
    one. Everything that is done here is done by the same functions as the commands, and the
    line with $ names the command.
    """
    if not (sys.stdin.isatty() and sys.stdout.isatty()) or os.environ.get("TERM") == "dumb":
        raise UsageError(
            "the desk needs a terminal that it can draw on",
            code="no-terminal",
            next_step="use the commands instead, see 'benchimage --help'",
        )
    place = (current_folder() / (folder or Path())).resolve()
    if not place.is_dir():
        raise UsageError("there is no such folder", code="no-such-folder", file=str(folder))
    job = find_job_folder(None, place)
    stores = find_store(store)
    return run_desk(Session(folder=place if job is None else job.parent, stores=stores), job)
