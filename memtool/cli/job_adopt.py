"""`benchimage job adopt`: a job that was handed over, made known to this machine's store."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.place import output_options, store_option
from memtool.cli.shared import print_json, say, say_next
from memtool.cli.types import PATH
from memtool.core.words import count_of
from memtool.render.json.as_json import document
from memtool.render.text.next_steps import NextStep, quoted
from memtool.render.words import safe_text
from memtool.workflow.context import clock
from memtool.workflow.handing_over import adopt_job
from memtool.workflow.places import open_store


@click.command(
    "adopt",
    epilog="""\b
Example:
  benchimage job adopt job-order-2031
""",
)
@click.argument("folder", metavar="DIR", type=PATH)
@store_option
@output_options
def command(folder: Path, store: Path | None, as_json: bool) -> int:
    """Make a job's folder known to the store of this machine.

    DIR is what an archive of 'job export' was unpacked to, or a job's folder that was moved.
    Every file is verified, and backups that the store lacks are taken over.
    """
    done = adopt_job(folder, open_store(store), now=clock())
    job = str(done.opened.folder)
    if as_json:
        print_json(
            document(
                "job-adopt",
                job=job,
                verified=done.verified,
                copied=list(done.copied),
                entries=len(done.opened.job.events),
            )
        )
        return 0
    say(f"{safe_text(job)}: the journal's chain is unbroken.")
    if done.verified is not None:
        say(f"  {count_of(done.verified, 'file')} match the list of digests")
    say(f"  {count_of(len(done.copied), 'backup')} copied into the store")
    say_next(NextStep(commands=(f"benchimage job show --job {quoted(job)}",)))
    return 0
