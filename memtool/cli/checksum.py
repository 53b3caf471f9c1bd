"""`benchimage checksum`: a group that imports each subcommand only when it is used."""

from __future__ import annotations

import importlib
import importlib.util

import click

_COMMANDS = {
    "list": ("memtool.cli.checksum_list", "Every algorithm with its parameters."),
    "compute": ("memtool.cli.checksum_compute", "One checksum over one span of an image."),
    "check": ("memtool.cli.checksum_check", "Every checksum that a layout names."),
    "discover": ("memtool.cli.checksum_discover", "Which checksums an unknown image carries."),
}


class _ChecksumGroup(click.Group):
    """Offers the subcommands whose module is there."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return [name for name, (module, _) in _COMMANDS.items() if importlib.util.find_spec(module)]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in self.list_commands(ctx):
            return None
        found = importlib.import_module(_COMMANDS[cmd_name][0]).command
        assert isinstance(found, click.Command)
        return found

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, _COMMANDS[name][1]) for name in self.list_commands(ctx)])


@click.group(
    cls=_ChecksumGroup,
    epilog="""Examples:

\b
  benchimage checksum list
  benchimage checksum compute read.bin --algorithm CRC-16/MODBUS --span 0x0100+64
  benchimage checksum check read.bin --layout door-c.toml""",
)
def command() -> None:
    """Catalogue, compute and check checksums.

    CRCs bear the names of the published catalogue; a bare "CRC-16" is refused, since it
    means different things to different tools.
    """
