"""`benchimage job note`: a sentence for the record."""

from __future__ import annotations

import click

from memtool.cli.next_of_job import say_next_of
from memtool.cli.place import Place, place_options
from memtool.cli.shared import print_json, say
from memtool.render.json.as_json import document
from memtool.workflow.context import clock
from memtool.workflow.notes import add_note


@click.command("note")
@click.argument("text")
@place_options
def command(text: str, place: Place, as_json: bool) -> int:
    """Put a sentence into the record."""
    opened = add_note(place.open().require_job(), text, now=clock())
    entry = opened.job.notes[-1]
    if as_json:
        print_json(document("job-note", number=entry.number, time=entry.time, text=entry.text))
    else:
        say(f"Noted, as journal entry {entry.number}.")
        say_next_of(opened.job)
    return 0
