"""`benchimage job attach`: a file for the record."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.next_of_job import say_next_of
from memtool.cli.place import Place, place_options
from memtool.cli.shared import print_json, say
from memtool.cli.types import PATH
from memtool.render.json.as_json import document
from memtool.render.values import digest_words
from memtool.workflow.context import clock
from memtool.workflow.notes import attach_file


@click.command("attach")
@click.argument("file", type=PATH)
@click.option("--caption", help="What the file shows.")
@place_options
def command(file: Path, caption: str | None, place: Place, as_json: bool) -> int:
    """Copy a file into the job: a photo of a label, codes before and after."""
    opened = attach_file(place.open().require_job(), file, caption=caption, now=clock())
    added = opened.job.attachments[-1]
    if as_json:
        print_json(
            document(
                "job-attach",
                number=added.number,
                path=added.path,
                name=added.name,
                sha256=added.sha256,
                caption=added.caption,
            )
        )
    else:
        say(f"Attached as {added.path}.\n  SHA-256  {digest_words(added.sha256)}")
        say_next_of(opened.job)
    return 0
