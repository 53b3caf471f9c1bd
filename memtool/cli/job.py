"""`benchimage job`: an order's record, and what a person adds to it."""

from __future__ import annotations

import click

from memtool.cli.late import LateGroup

_COMMANDS = {
    "show": ("memtool.cli.job_show", "Show the order, its record and its stages."),
    "list": ("memtool.cli.job_list", "List the jobs of this store, newest first."),
    "note": ("memtool.cli.job_note", "Put a sentence into the record."),
    "attach": (
        "memtool.cli.job_attach",
        "Copy a file into the job: a photo, codes before and after.",
    ),
    "decide": ("memtool.cli.job_decide", "Decide a point that a check left to you."),
    "test": ("memtool.cli.job_test", "Record what was tried on the vehicle."),
    "majority": (
        "memtool.cli.job_majority",
        "Decide byte by byte from three or more reads that differ.",
    ),
    "shop": ("memtool.cli.job_shop", "Say who the shop is, for page one of every report."),
    "export": ("memtool.cli.job_export", "Write the whole job with its backups as one archive."),
    "adopt": ("memtool.cli.job_adopt", "Make a job's folder known to the store of this machine."),
}


@click.group(
    "job",
    cls=LateGroup,
    sections={"Commands": _COMMANDS},
    epilog="""\b
Examples:
  benchimage job show
  benchimage job note 'complaint: central locking dead after water entry'
  benchimage job attach label.jpg --caption 'label of the donor'
  benchimage job list 042788
  benchimage job majority donor/eeprom
  benchimage job shop --name 'Amsel Auto Electrics' --address '4 Mill Lane'
  benchimage job export order-2031.zip
""",
)
def command() -> None:
    """Show an order's record; add notes and files; hand the whole job over."""
