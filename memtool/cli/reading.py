"""The options of commands that read images, gathered into one object."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from memtool.cli.place import Command, Place, gathered, output_options, store_option, told
from memtool.cli.shared import note
from memtool.cli.types import CHIP, NUMBER
from memtool.core.chip import Chip
from memtool.core.read_options import ReadOptions
from memtool.errors import UsageError
from memtool.formats.codec import ImageFormat
from memtool.render.words import safe_text
from memtool.workflow.context import Context, open_context
from memtool.workflow.loading import LoadedRead
from memtool.workflow.places import find_store
from memtool.workflow.showing import Shown, tell_ban

if TYPE_CHECKING:
    from memtool.workflow.jobs import OpenJob

_LAST_ADDRESS = (1 << 32) - 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading(Place):
    """What the shared options say about the images: where they are and how to read them."""

    read_format: str | None
    overlap: str | None
    base: int | None
    """None: not given."""
    chip: Chip | None

    def options(self, *, base: int = 0, accept_missing_end: bool = False) -> ReadOptions:
        """How files are to be understood; `base` counts where the person gave none.

        Raises:
            UsageError: the base that was given is no address of 32 bits.
        """
        if self.base is not None and self.base > _LAST_ADDRESS:
            raise UsageError(
                f"--base 0x{self.base:X} is beyond the last address, 0x{_LAST_ADDRESS:X}",
                code="base-too-large",
                next_step="give the address of the file's first byte",
            )
        return ReadOptions(
            format=ImageFormat(self.read_format) if self.read_format else None,
            base=base if self.base is None else self.base,
            overlap_last=self.overlap is not None,
            accept_missing_end=accept_missing_end,
        )

    def open(self, *, base: int = 0, accept_missing_end: bool = False) -> Context:
        """The context of this run, see `options` and `Place.open`."""
        return told(
            open_context(
                job=self.job,
                stores=find_store(self.store),
                options=self.options(base=base, accept_missing_end=accept_missing_end),
                chip=self.chip,
            )
        )


def all_option(command: Command) -> Command:
    """Give a command ``--all``; it receives ``show_all``."""
    return click.option(
        "--all", "show_all", is_flag=True, help="List what passed one by one, not only how much."
    )(command)


def reading_options(command: Command) -> Command:
    """Give a command the options of all reading commands.

    It receives ``reading``, a `Reading`, and ``as_json``. ``--job`` comes with
    `job_option`, since `start` words it differently.
    """
    command = gathered(Reading, "reading")(command)
    for option in (
        click.option("--base", type=NUMBER, help="Address of a raw file's first byte; default 0."),
        click.option(
            "--chip", type=CHIP, help="Memory chip, for example 24C16, 93C66, 95160, or 64K."
        ),
        click.option(
            "--overlap",
            type=click.Choice(["last"]),
            help="If records of a hex file overlap, let the last one win.",
        ),
        click.option(
            "--format",
            "read_format",
            type=click.Choice([item.value for item in ImageFormat]),
            help="File format; by default detected from the content.",
        ),
    ):
        command = option(command)
    return output_options(store_option(command))


def note_oddities(reads: Iterable[LoadedRead]) -> None:
    """Say what is safe but odd about files that were read."""
    for read in reads:
        for finding in read.findings:
            note(safe_text(f"{read.path}: {finding.severity.value}: {finding.text}"))


def note_broken(faults: Iterable[str]) -> None:
    """Name each file of the layout library that was passed over."""
    for fault in faults:
        note(safe_text(f"Note: this file of your layout library was skipped: {fault}"))


def note_layout(opened: OpenJob | None, look: Shown) -> None:
    """Say which layouts were passed over, and what one bans that came into the job now."""
    note_broken(map(str, look.choice.broken))
    now = look.context.opened
    if opened is not None and now is not None and len(now.job.events) > len(opened.job.events):
        ban = tell_ban(look.choice.loaded)
        if ban is not None:
            note(f"Note: {ban}.")


def note_other_size(reads: Iterable[LoadedRead], chip: Chip | None) -> None:
    """Say which reads have not the size of the chip that was named."""
    for read in reads:
        if chip is not None and chip.size != read.image.size:
            note(f"Note: the read has {read.image.size} bytes, a {chip.title} holds {chip.size}.")
