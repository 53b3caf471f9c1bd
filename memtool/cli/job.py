"""``benchimage job``: an order's record, and what a person adds to it."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.job_deciding import decide
from memtool.cli.job_finding import list_command
from memtool.cli.job_handing_over import adopt, export
from memtool.cli.job_majority import majority
from memtool.cli.job_shop import shop
from memtool.cli.job_testing import test
from memtool.cli.next_of_job import say_next_of
from memtool.cli.place import Place, place_options
from memtool.cli.shared import print_json, say
from memtool.cli.types import PATH
from memtool.render.json.as_json import document
from memtool.render.text import job_view
from memtool.render.values import digest_words
from memtool.workflow.context import clock
from memtool.workflow.notes import add_note, attach_file


@click.group(
    "job",
    epilog="""\b
Examples:
  benchimage job show
  benchimage job note 'complaint: central locking dead after water entry'
  benchimage job attach label.jpg --caption 'label of the donor'
  benchimage job list 042788
  benchimage job majority donor/eeprom
  benchimage job shop --name 'Amsel Auto Electrics' --address '4 Mill Lane'
  benchimage job export order-2031.zip
""",
)
def command() -> None:
    """Show an order's record; add notes and files; hand the whole job over."""


command.add_command(decide)
command.add_command(test)
command.add_command(export)
command.add_command(adopt)
command.add_command(majority)
command.add_command(list_command)
command.add_command(shop)


@command.command("show")
@place_options
def show(place: Place, as_json: bool) -> int:
    """Show the order, its record and its stages; verifies the journal's chain."""
    opened = place.open().require_job()
    torn = opened.torn.line if opened.torn else None
    if as_json:
        print_json(job_view.job_document(str(opened.folder), opened.job, torn_line=torn))
    else:
        say(job_view.render_job(str(opened.folder), opened.job, torn_line=torn))
        say_next_of(opened.job)
    return 0


@command.command("note")
@click.argument("text")
@place_options
def note_command(text: str, place: Place, as_json: bool) -> int:
    """Put a sentence into the record."""
    opened = add_note(place.open().require_job(), text, now=clock())
    entry = opened.job.notes[-1]
    if as_json:
        print_json(document("job-note", number=entry.number, time=entry.time, text=entry.text))
    else:
        say(f"Noted, as journal entry {entry.number}.")
        say_next_of(opened.job)
    return 0


@command.command("attach")
@click.argument("file", type=PATH)
@click.option("--caption", help="What the file shows.")
@place_options
def attach(file: Path, caption: str | None, place: Place, as_json: bool) -> int:
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
