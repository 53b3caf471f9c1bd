"""`benchimage job export`: a job handed to another machine."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.place import Place, place_options
from memtool.cli.shared import note, print_json, say, say_next
from memtool.cli.types import PATH
from memtool.core.words import count_of
from memtool.render.json.as_json import document
from memtool.render.text.next_steps import NextStep
from memtool.render.values import digest_words
from memtool.render.words import safe_text
from memtool.workflow.context import clock
from memtool.workflow.handing_over import export_job


@click.command(
    "export",
    epilog="""\b
Example:
  benchimage job export order-2031.zip
""",
)
@click.argument("out", metavar="FILE.zip", type=PATH)
@place_options
def command(out: Path, place: Place, as_json: bool) -> int:
    """Write the whole job with its backups as one archive.

    Any tool that unpacks ZIP files opens it; 'sha256sum -c SHA256SUMS' in it verifies every
    file. The store is not needed to read the backups in it.
    """
    context = place.open()
    done = export_job(context.require_job(), context.store, out, now=clock())
    if as_json:
        print_json(
            document(
                "job-export",
                out=done.out,
                sha256=done.sha256,
                size=done.size,
                files=done.files,
                backups=list(done.backups),
            )
        )
        return 0
    backups = count_of(len(done.backups), "backup")
    say(f"{safe_text(done.out)}: the job with {backups}, {count_of(done.files, 'file')}")
    say(f"  SHA-256  {digest_words(done.sha256)}")
    note("It holds full VINs and every byte of the modules: do not pass it on to anyone else.")
    say_next(
        NextStep(
            text="on the other machine unpack it, and make the folder known to the store there",
            commands=("benchimage job adopt DIR",),
        )
    )
    return 0
