"""`benchimage checksum list`: the catalogue."""

from __future__ import annotations

import click

from memtool.cli.shared import note, output_options, print_json
from memtool.core.checksums.algorithms import list_algorithms
from memtool.render.checksum_json import algorithm_value
from memtool.render.checksum_text import render_catalogue


@click.command(
    "list",
    epilog="""Examples:

\b
  benchimage checksum list
  benchimage checksum list --json""",
)
@output_options
def command(as_json: bool) -> int:
    """Show every algorithm with its parameters."""
    algorithms = list_algorithms()
    if as_json:
        rows = [algorithm_value(algorithm) for algorithm in algorithms]
        print_json({"schema": "benchimage.checksum-list/1", "algorithms": rows})
    else:
        click.echo(render_catalogue(algorithms))
        note("Next: 'benchimage checksum compute IMAGE --algorithm NAME --span SPAN'.")
    return 0
