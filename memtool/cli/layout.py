"""`benchimage layout`: layout files are drafted, reviewed, checked, shown and kept."""

from __future__ import annotations

import click

from memtool.cli.late import LateGroup

_COMMANDS = {
    "draft": ("memtool.cli.layout_draft", "Propose a layout from the images of several modules."),
    "review": (
        "memtool.cli.layout_review",
        "Go through each guess of a layout: yes, no or change.",
    ),
    "check": ("memtool.cli.layout_check", "Check a layout file; score it on images."),
    "show": ("memtool.cli.layout_show", "Show a layout as a map, also with an image's values."),
    "learn": (
        "memtool.cli.layout_learn",
        "Learn from a finished job what the maker's procedure wrote.",
    ),
    "add": ("memtool.cli.layout_add", "Add a layout to your library."),
}


@click.group(
    cls=LateGroup,
    sections={"Commands": _COMMANDS},
    epilog="""Examples:

\b
  benchimage layout draft donor original --out door.toml
  benchimage layout review door.toml
  benchimage layout check door.toml --against donor.bin
  benchimage layout show door.toml --image donor.bin
  benchimage layout learn --out learned.toml
  benchimage layout add door.toml""",
)
def command() -> None:
    """Layout files: what lies where in the memory of one module family.

    docs/layouts.md explains every key.
    """
