"""`benchimage layout add`: keep a layout where other commands look for it."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.shared import PATH, note, output_options, print_json
from memtool.render.as_json import document
from memtool.render.words import safe_text
from memtool.store.layout_files.layouts import add_to_library, default_layout_folder


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
    help="Folder of the layouts; otherwise BENCHIMAGE_LAYOUTS or the user's own.",
)
@output_options
def command(file: Path, layouts: Path | None, as_json: bool) -> int:
    """Copy a valid layout among those that start and inspect look through."""
    folder = layouts or default_layout_folder()
    added = add_to_library(file, folder)
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
    click.echo(f"'{safe_text(added.layout.name)}' is kept as {safe_text(added.path)}")
    if not added.layout.reviewed:
        note(
            "It is not reviewed: commands show what it says, and 'blank' refuses it until"
            " 'benchimage layout review' has asked a person."
        )
    note("Next: 'benchimage inspect IMAGE' finds it where it fits.")
    return 0
