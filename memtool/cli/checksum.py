"""`benchimage checksum`: a group that imports each subcommand only when it is used."""

from __future__ import annotations

import click

from memtool.cli.late import LateGroup

_COMMANDS = {
    "list": ("memtool.cli.checksum_list", "Every algorithm with its parameters."),
    "compute": ("memtool.cli.checksum_compute", "One checksum over one span of an image."),
    "check": ("memtool.cli.checksum_check", "Every checksum that a layout names."),
    "discover": ("memtool.cli.checksum_discover", "Which checksums an unknown image carries."),
}


@click.group(
    cls=LateGroup,
    sections={"Commands": _COMMANDS},
    epilog="""Examples:

\b
  benchimage checksum list
  benchimage checksum compute read.bin --algorithm CRC-16/MODBUS --span 0x0100+64
  benchimage checksum check read.bin --layout door-c.toml""",
)
def command() -> None:
    """List, compute, check and discover checksums.

    CRCs bear the names of the published catalogue; a bare "CRC-16" is refused, since it
    means different things to different tools.
    """
