"""`benchimage checksum list`: the catalogue."""

from __future__ import annotations

import click

from memtool.cli.place import Place, place_options
from memtool.cli.shared import print_json, say, say_next
from memtool.core.checksums.algorithms import list_algorithms
from memtool.render.json.checksum_json import algorithm_value
from memtool.render.text.checksum_text import render_catalogue
from memtool.render.text.next_steps import NextStep


@click.command(
    "list",
    epilog="""Examples:

\b
  benchimage checksum list
  benchimage checksum list --json""",
)
@place_options
def command(place: Place, as_json: bool) -> int:
    """Show every algorithm with its parameters."""
    context = place.open()
    algorithms = list_algorithms()
    context.record("checksum list")
    if as_json:
        rows = [algorithm_value(algorithm) for algorithm in algorithms]
        print_json({"schema": "benchimage.checksum-list/1", "algorithms": rows})
    else:
        say(render_catalogue(algorithms))
        command = "benchimage checksum compute IMAGE --algorithm NAME --span SPAN"
        say_next(NextStep(text="compute one", commands=(command,)))
    return 0
