"""The image that a `checksum` subcommand works on, and the job it was asked for in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from memtool.cli.session import clock, current_job, open_store, read_options
from memtool.cli.shared import note
from memtool.core.chip import find_chip
from memtool.errors import UsageError
from memtool.render.words import safe_text
from memtool.workflow.jobs import OpenJob, load_named, record
from memtool.workflow.loading import LoadedRead


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """The image of this run, and the job it was asked for in."""

    read: LoadedRead
    opened: OpenJob | None

    def record(self, facts: dict[str, Any], files: Sequence[tuple[str, str]] = ()) -> None:
        """Add the run to the journal, where there is one."""
        if self.opened is not None:
            both = [(self.read.path, self.read.file_sha256), *files]
            record(self.opened, "command-run", facts, files=both, now=clock())


def load_source(
    name: str,
    *,
    job: Path | None,
    store: Path | None,
    read_format: str | None,
    overlap: str | None,
    base: int,
    chip: str | None,
) -> Source:
    """Read the image that `name` stands for; what is odd about it goes to stderr.

    Raises:
        UsageError: no such file, role or chip.
    """
    memory = None if chip is None else find_chip(chip)
    if chip is not None and memory is None:
        raise UsageError(
            f"'{chip}' is not a memory chip known here",
            code="unknown-chip",
            next_step="leave --chip out, or name it as in 24C16, 93C66, 95160",
        )
    opened = current_job(job)
    options = read_options(read_format, base=base, overlap=overlap)
    read = load_named(name, options, opened=opened, store=open_store(store), chip=chip)
    for finding in read.findings:
        note(safe_text(f"{read.path}: {finding.severity.value}: {finding.text}"))
    if memory is not None and memory.size != read.image.size:
        note(f"Note: the read has {read.image.size} bytes, a {memory.name} holds {memory.size}.")
    return Source(read=read, opened=opened)
