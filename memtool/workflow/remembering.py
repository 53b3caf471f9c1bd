"""The store remembers how far each job's journal has come, so that a cut of it is noticed.

After each entry the store's row of the job is put in place of the one before. A row that
could not be written is behind the journal, never before it: the next entry makes it good.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path

from memtool.core.job.job import Job
from memtool.core.job.next_action import find_next
from memtool.core.job.register import JobRow, tell_loss
from memtool.core.job.standing import find_standing
from memtool.errors import JournalError, StoreError
from memtool.render.text.next_view import next_in_short
from memtool.store.register import keep_row, read_row, read_rows
from memtool.workflow.job_folders import looks_like_a_job

ID_LENGTH = 16
"""Hex digits of a job's id."""

_JOURNAL = "journal.jsonl"
_PUT_BACK = "put journal.jsonl back from a copy of the job's folder"


def row_of(job: Job, folder: Path, *, first: str, last: str) -> JobRow:
    """What the store is to remember of a job.

    Args:
        job: As it stands.
        folder: Where it is.
        first: SHA-256 of the journal's first line.
        last: SHA-256 of its last line.
    """
    order = job.order
    images = {
        *(digest for backup in job.backups for digest in (*backup.read_digests, backup.sha256)),
        *(made.sha256 for made in job.blankings),
        *(check.sha256 for check in job.stage_checks if check.sha256 is not None),
    }
    return JobRow(
        id=first[:ID_LENGTH],
        folder=_absolute(folder),
        opened=job.opened,
        work_order=order.work_order,
        vehicle_vin=order.vehicle_vin,
        vins=_sorted(
            (
                order.vehicle_vin,
                *(text for backup in job.backups for text in backup.vins),
                *(text for made in job.blankings for text in made.identities),
            )
        ),
        parts=_sorted((order.original_part, order.donor_part)),
        images=tuple(sorted(images)),
        stage=_stage(job),
        entries=len(job.events),
        last=last,
        module_kind=None if order.module_kind is None else order.module_kind.value,
        memories=job.memories,
        next=next_in_short(find_next(job)),
        changed=job.events[-1].time,
    )


def remember(store: Path, row: JobRow) -> None:
    """Put the row into the store, where there is one that keeps a register.

    A failure costs nothing but the memory of the newest entries.
    """
    with suppress(StoreError):
        keep_row(store, row)


def require_whole(folder: Path, store: Path | None, digests: Sequence[str]) -> None:
    """Compare a journal with what the store remembers of it.

    Args:
        folder: Of the job.
        store: Of the backups; None: nothing is remembered.
        digests: SHA-256 of every line, at least one.

    Raises:
        JournalError: entries are missing, or it is another journal.
        StoreError: the store's memory cannot be read.
    """
    if store is None:
        return
    row = read_row(store, digests[0][:ID_LENGTH])
    loss = None
    if row is not None:
        loss = tell_loss(row, digests)
    elif (other := _find_row(store, folder)) is not None:
        loss = (
            f"this is a different journal: the backup store remembers {_told(other)} in this folder"
        )
    if loss is not None:
        raise JournalError(
            loss, code="journal-cut", next_step=_PUT_BACK, file=str(folder / _JOURNAL)
        )


def require_not_vanished(folder: Path, store: Path | None) -> None:
    """Refuse a folder in which there was a job, or that lies in one, without its journal.

    Raises:
        JournalError: the store remembers a job there, and its journal is gone.
        StoreError: the store's memory cannot be read.
    """
    if store is None:
        return
    for place in (folder, *folder.parents):
        if not looks_like_a_job(place):
            continue
        row = _find_row(store, place)
        if row is not None:
            raise JournalError(
                f"the journal is gone or empty: the backup store remembers {_told(row)} here",
                code="journal-gone",
                next_step=_PUT_BACK,
                file=str(place / _JOURNAL),
            )


def _find_row(store: Path, folder: Path) -> JobRow | None:
    wanted = _absolute(folder)
    return next((row for row in reversed(read_rows(store)) if row.folder == wanted), None)


def _told(row: JobRow) -> str:
    entries = "1 entry" if row.entries == 1 else f"{row.entries:,} entries"
    return f"a job of {entries}, opened {row.opened},"


def _stage(job: Job) -> str:
    if job.stage_checks:
        last = job.stage_checks[-1]
        # As it stands now: a person may have decided its points since.
        standing = find_standing(job, last.stage, last.memory)
        verdict = last.verdict if standing is None else standing.verdict
        return f"{last.stage.value} {verdict.value}"
    if job.blankings:
        return "file to program made"
    return "reads backed up" if job.backups else "opened"


def _absolute(folder: Path) -> str:
    return os.path.realpath(folder)


def _sorted(texts: Iterable[str | None]) -> tuple[str, ...]:
    return tuple(sorted({text for text in texts if text is not None}))
