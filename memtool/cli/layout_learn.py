"""`benchimage layout learn`: what the maker's procedure wrote in a finished job."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.place import Place, place_options
from memtool.cli.shared import note, print_json, say, say_next
from memtool.cli.types import PATH
from memtool.render.json.as_json import document
from memtool.render.learned import learned_values
from memtool.render.text.learned_view import render_learned
from memtool.render.text.next_steps import NextStep, quoted
from memtool.render.words import safe_text
from memtool.workflow.context import clock
from memtool.workflow.learning import LearnResult, learn_from_job


@click.command(
    epilog="""Examples:

\b
  benchimage layout learn
  benchimage layout learn data-flash --out learned.toml

The job must have ended well: its check after setup has passed, with a read of the module.""",
)
@click.argument("memory", required=False)
@click.option("--out", type=PATH, help="Layout file to write, with the proposed changes in it.")
@place_options
def command(memory: str | None, out: Path | None, place: Place, as_json: bool) -> int:
    """Learn from a finished job what the maker's procedure wrote.

    Compares the file to program with the read after setup: what was written, what of it is as in
    the original, which checksums changed, what no region explains. Without MEMORY of all
    memories whose old identity was removed. Each proposed change waits for 'layout review', and the
    layout's other regions are not asked again. Protected bytes are told by address and count.
    """
    result = learn_from_job(place.open(), memory=memory, out=out, now=clock())
    if as_json:
        print_json(
            document(
                "layout-learn",
                memories=[
                    {
                        "name": each.name,
                        "layout": each.layout.layout.name,
                        "checked": each.checked,
                        **learned_values(each.learned),
                    }
                    for each in result.memories
                ],
                out=None if result.out is None else str(result.out),
                sha256=result.sha256,
            )
        )
        return 0
    for number, each in enumerate(result.memories):
        if number:
            click.echo()
        say(render_learned(each.name, each.layout.layout.name, each.learned))
    _say_what_next(result, out)
    return 0


def _say_what_next(result: LearnResult, out: Path | None) -> None:
    proposing = [each.name for each in result.memories if each.learned.proposals]
    if result.out is not None:
        note(f"Written: {safe_text(str(result.out))}, not reviewed.")
        text, command = "review the changes", f"benchimage layout review {quoted(result.out)}"
    elif proposing:
        which = f" {quoted(proposing[0])}" if len(result.memories) > 1 else ""
        text = "write the proposed changes into a layout"
        command = f"benchimage layout learn{which} --out FILE"
    else:
        written = "; nothing was written" if out is not None else ""
        note(f"No change to the layout is proposed{written}.")
        return
    say_next(NextStep(text=text, commands=(command,)), in_job=True)
