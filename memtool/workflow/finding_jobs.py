"""Find a job again: by order, VIN, part number, digest, or by an image that it knows."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from memtool.core.job.job import Job
from memtool.core.job.register import JobRow
from memtool.core.names import JOURNAL
from memtool.core.reader_order import READER_ORDERS, fits, turn
from memtool.errors import MemtoolError
from memtool.store.register import read_rows
from memtool.workflow.jobs import open_job
from memtool.workflow.loading import load_read
from memtool.workflow.remembering import ID_LENGTH


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundJob:
    """A job that the store knows."""

    row: JobRow
    is_there: bool
    """Whether the job still lies in the folder where it was seen last."""
    image: str | None
    """What the image that was asked for is in it, in words."""


def find_jobs(store: Path, asked: str | None) -> tuple[FoundJob, ...]:
    """Every job of this store that fits, newest first.

    Args:
        store: Folder of the backups.
        asked: A text, or the path of an image; None: every job.

    Raises:
        StoreError: the register cannot be read.
        ImageFormatError: the file is there and is no image.
    """
    rows = reversed(read_rows(store))
    if asked is None:
        return tuple(_found(row, None) for row in rows)
    path = Path(asked)
    if path.is_file():
        image = load_read(path).image
        # The file may lie in the order of a reader, which job wrote it does not tell.
        digests = [turn(image, order).sha256() for order in READER_ORDERS if fits(image, order)]
        return tuple(
            _found(row, digest) for row in rows for digest in digests if digest in row.images
        )
    return tuple(_found(row, None) for row in rows if row.matches(asked))


def find_elsewhere(store: Path, job_id: str, digests: Collection[str]) -> tuple[FoundJob, ...]:
    """Other jobs of this store that know one of these images, newest first.

    Args:
        store: Folder of the backups.
        job_id: Of the job that asks.
        digests: Of its images.

    Raises:
        StoreError: the register cannot be read.
    """
    others = (row for row in reversed(read_rows(store)) if row.id != job_id)
    shared = ((row, [each for each in digests if each in row.images]) for row in others)
    return tuple(_found(row, held[0]) for row, held in shared if held)


def tell_image(job: Job, digest: str) -> str | None:
    """What an image is in a job: ``the donor's eeprom, backup 3f2a9c01b7de``."""
    for backup in reversed(job.backups):
        if digest in (backup.sha256, *backup.read_digests):
            return f"the {backup.role.value}'s {backup.memory}, backup {backup.backup}"
    for made in reversed(job.blankings):
        if made.sha256 == digest:
            return f"the file to program of {made.memory}, {made.copy}"
    for check in reversed(job.stage_checks):
        if check.sha256 == digest:
            return f"the read of stage {check.stage.value}"
    return None


def _found(row: JobRow, digest: str | None) -> FoundJob:
    job = _job_of(row)
    return FoundJob(
        row=row,
        is_there=job is not None,
        image=None if job is None or digest is None else tell_image(job, digest),
    )


def _job_of(row: JobRow) -> Job | None:
    """The job, if it is still in its folder and is this one."""
    folder = Path(row.folder)
    try:
        if not (folder / JOURNAL).is_file():
            return None
        opened = open_job(folder)
    except (MemtoolError, OSError):
        return None
    return opened.job if opened.first[:ID_LENGTH] == row.id else None
