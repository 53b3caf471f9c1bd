"""`benchimage layout`: layout files are drafted, reviewed, checked, shown and kept."""

from __future__ import annotations

import click

from memtool.cli.late import LateGroup

_COMMANDS = {
    "draft": ("memtool.cli.layout_draft", "Propose a layout from the images of several modules."),
    "review": ("memtool.cli.layout_review", "Ask a person yes or no for each guess of a layout."),
    "check": ("memtool.cli.layout_check", "Check a layout file; score it on images."),
    "show": ("memtool.cli.layout_show", "Draw a layout, alone or with an image's values."),
    "add": ("memtool.cli.layout_add", "Keep a layout where other commands look for it."),
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
  benchimage layout add door.toml""",
)
def command() -> None:
    """Layout files: what lies where in the memory of one module family.

    docs/layouts.md explains every key.
    """
