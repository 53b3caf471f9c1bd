"""`benchimage layout`: layout files are drafted, reviewed, checked, shown and kept."""

from __future__ import annotations

import importlib

import click

SUBCOMMANDS = {
    "draft": ("memtool.cli.layout_draft", "Propose a layout from the images of several modules."),
    "review": ("memtool.cli.layout_review", "Ask a person yes or no for each guess of a layout."),
    "check": ("memtool.cli.layout_check", "Check a layout file; score it on images."),
    "show": ("memtool.cli.layout_show", "Draw a layout, alone or with an image's values."),
    "add": ("memtool.cli.layout_add", "Keep a layout where other commands look for it."),
}
"""Name: module with a ``command``, and the line in the list of commands."""


class _LateGroup(click.Group):
    """Imports a subcommand's module only when that subcommand is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(SUBCOMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in SUBCOMMANDS:
            return None
        command = importlib.import_module(SUBCOMMANDS[cmd_name][0]).command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in SUBCOMMANDS.items()])


@click.group(
    cls=_LateGroup,
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
