"""What a command runs in: the job, the store, how images are read, and the journal line."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from memtool.core.chip import Chip
from memtool.core.read_options import ReadOptions
from memtool.errors import UsageError
from memtool.store.writing import write_new
from memtool.workflow.job_folders import current_folder, find_job_folder, lies_in_job_folders
from memtool.workflow.late import jobs, kinds, remembering
from memtool.workflow.loading import LoadedRead, load_read
from memtool.workflow.places import StorePlace
from memtool.workflow.writing import NewFile, write_files

if TYPE_CHECKING:
    from memtool.store.backups import BackupStore
    from memtool.workflow.jobs import OpenJob


class Context(NamedTuple):
    """One run of a command: the same for all that can run inside a job."""

    stores: StorePlace
    opened: OpenJob | None
    """The job that was named or that the current folder lies in."""
    options: ReadOptions
    chip: Chip | None
    """The chip that was named; None: none was."""

    @property
    def store(self) -> BackupStore:
        """The backup store."""
        return self.stores.store

    @property
    def chip_name(self) -> str | None:
        """The chip's name as the job records it, or as the table has it."""
        if self.chip is None:
            return None
        return self.chip.name if self.opened is None else jobs.name_of_chip(self.opened, self.chip)

    def require_job(self) -> OpenJob:
        """The job.

        Raises:
            UsageError: there is none.
        """
        if self.opened is None:
            raise UsageError(
                "this command works inside a job",
                code="no-job",
                next_step="go into its folder or name it with --job DIR",
            )
        return self.opened

    def load(self, name: str) -> LoadedRead:
        """The image that `name` stands for: one of the job's own, or a path.

        Raises:
            UsageError: the job has no such image, or there is no such file.
            ImageFormatError: it is not what it claims to be.
        """
        if self.opened is None:
            return load_read(Path(name), self.options)
        return jobs.load_named(
            name, self.options, opened=self.opened, store=self.store, chip=self.chip_name
        )

    def load_all(self, names: Iterable[str]) -> list[LoadedRead]:
        """Several images, see `load`."""
        return [self.load(name) for name in names]

    def record(
        self,
        command: str,
        facts: Mapping[str, Any] | None = None,
        *,
        reads: Sequence[LoadedRead] = (),
        files: Sequence[tuple[str, str]] = (),
        new: Sequence[NewFile] = (),
    ) -> OpenJob | None:
        """Write what the run made, and add the run to the journal, where there is one.

        Args:
            command: Its words, as typed: ``checksum check``.
            facts: What came of it; JSON values.
            reads: The images that were looked at.
            files: (path, SHA-256) of further files that the entry speaks of.
            new: Files that are written: in a job after an intent, so that a cut is made good.

        Returns:
            The job as it is then; None outside a job.

        Raises:
            RefusalError: one of `new` exists.
            StoreError: a file or the entry was not written.
        """
        if self.opened is None:
            for file in new:
                write_new(file.path, file.data)
            return None
        event = kinds.CommandRun(command=command, details=dict(facts or {}))
        named = [*((read.path, read.file_sha256) for read in reads), *files]
        if new:
            named += [(jobs.name_in_journal(self.opened, file.path), file.sha256) for file in new]
            return write_files(self.opened, event, new, files=named, now=clock())
        return jobs.append_event(self.opened, event, files=named, now=clock())


def open_context(
    *,
    job: Path | None,
    stores: StorePlace,
    options: ReadOptions | None = None,
    chip: Chip | None = None,
) -> Context:
    """The context of a run; without `job` the job that the current folder lies in.

    Raises:
        UsageError: the named folder holds no job.
        InputError: the current folder cannot be told.
        JournalError: the journal is broken.
    """
    current = current_folder() if job is None else job
    folder = job or find_job_folder(None, current)
    if folder is None and lies_in_job_folders(current):
        remembering.require_not_vanished(current, stores.folder)
    return Context(
        stores=stores,
        opened=None if folder is None else jobs.open_job(folder, store=stores.folder),
        options=options or ReadOptions(),
        chip=chip,
    )


def clock() -> datetime:
    """The time of this moment, with the zone of this machine."""
    return datetime.now(UTC).astimezone()


def worker_count() -> int:
    """Processors that this process may use."""
    if sys.platform == "linux":
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
