"""`benchimage job show`: an order's record and its stages."""

from __future__ import annotations

import click

from memtool.cli.next_of_job import say_next_of
from memtool.cli.place import Place, place_options
from memtool.cli.shared import print_json, say
from memtool.render.text import job_view


@click.command("show")
@place_options
def command(place: Place, as_json: bool) -> int:
    """Show the order, its record and its stages; verifies the journal's chain."""
    opened = place.open().require_job()
    torn = opened.torn.line if opened.torn else None
    if as_json:
        print_json(job_view.job_document(str(opened.folder), opened.job, torn_line=torn))
    else:
        say(job_view.render_job(str(opened.folder), opened.job, torn_line=torn))
        say_next_of(opened.job)
    return 0
