"""``benchimage job``: an order's record, and what a person adds to it."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.session import clock, require_job
from memtool.cli.shared import PATH, note, output_options, print_json
from memtool.render import job_view
from memtool.render.as_json import document
from memtool.workflow.record import add_note, attach_file

_JOB = click.option("--job", type=PATH, help="Folder of the job, when not standing in it.")


@click.group(
    "job",
    epilog="""\b
Examples:
  benchimage job show
  benchimage job note 'complaint: central locking dead after water entry'
  benchimage job attach label.jpg --caption 'label of the donor'
""",
)
def command() -> None:
    """Show an order's record; add notes and files."""


@command.command("show")
@_JOB
@output_options
def show(job: Path | None, as_json: bool) -> int:
    """Show the order, its record and its stages; verifies the journal's chain."""
    opened = require_job(job)
    torn = opened.torn.line if opened.torn else None
    if as_json:
        print_json(job_view.job_document(str(opened.folder), opened.job, torn_line=torn))
    else:
        click.echo(job_view.render_job(str(opened.folder), opened.job, torn_line=torn))
    return 0


@command.command("note")
@click.argument("text")
@_JOB
@output_options
def note_command(text: str, job: Path | None, as_json: bool) -> int:
    """Put a sentence into the record."""
    opened = add_note(require_job(job), text, now=clock())
    entry = opened.job.notes[-1]
    if as_json:
        print_json(document("job-note", number=entry.number, time=entry.time, text=entry.text))
    else:
        click.echo(f"Noted, as journal entry {entry.number}.")
        note("Next: benchimage job show")
    return 0


@command.command("attach")
@click.argument("file", type=PATH)
@click.option("--caption", help="What the file shows.")
@_JOB
@output_options
def attach(file: Path, caption: str | None, job: Path | None, as_json: bool) -> int:
    """Copy a file into the job: a photo of a label, codes before and after."""
    opened = attach_file(require_job(job), file, caption=caption, now=clock())
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
        click.echo(f"Attached as {added.path} (sha256 {added.sha256}).")
        note("Next: benchimage job show")
    return 0
