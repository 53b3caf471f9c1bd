"""`benchimage layout add`: keep a layout where other commands look for it."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.place import Place, place_options
from memtool.cli.shared import note, print_json, say, say_next
from memtool.cli.types import PATH
from memtool.render.json.as_json import document
from memtool.render.text.next_steps import NextStep
from memtool.render.words import safe_text
from memtool.store.layouts import add_to_library, default_layout_folder


@click.command(
    epilog="""Examples:

\b
  benchimage layout add door.toml
  benchimage layout add door.toml --layouts shop-layouts

A layout of the same file name is never overwritten: give the new one another name.""",
)
@click.argument("file", type=PATH)
@click.option(
    "--layouts",
    type=PATH,
    help="Layout folder; default: BENCHIMAGE_LAYOUTS, or your own.",
)
@place_options
def command(file: Path, layouts: Path | None, place: Place, as_json: bool) -> int:
    """Copy a valid layout among those that start and inspect look through."""
    context = place.open()
    folder = layouts or default_layout_folder()
    added = add_to_library(file, folder)
    context.record("layout add", files=[(added.path, added.sha256)])
    if as_json:
        print_json(
            document(
                "layout-add",
                path=added.path,
                sha256=added.sha256,
                name=added.layout.name,
                reviewed=added.layout.reviewed,
            )
        )
        return 0
    say(f"'{safe_text(added.layout.name)}' is kept as {safe_text(added.path)}")
    if not added.layout.reviewed:
        note(
            "It is not reviewed: other commands show what it says, but 'blank' refuses it until "
            "you have been through 'benchimage layout review'."
        )
    text = "look at an image of that memory: the layout is found where it fits"
    say_next(NextStep(text=text, commands=("benchimage inspect IMAGE",)))
    return 0
