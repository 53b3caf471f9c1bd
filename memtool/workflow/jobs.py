"""The folder of one order: its journal, its files, and the names that stand for its images."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from memtool.core.backup import BackupEntry, Role
from memtool.core.job import Job, KeptReads, Order, build_job
from memtool.core.reads.agreement import ReadFile
from memtool.errors import InputError, JournalError, RefusalError, UsageError
from memtool.formats.codec import ImageFormat
from memtool.store.backups import BackupStore
from memtool.store.journal import JournalEntry, JournalFile, TornLine, append_entry, check_journal
from memtool.store.writing import make_folder
from memtool.workflow.loading import LoadedRead, ReadOptions, load_read, parse_content

JOURNAL = "journal.jsonl"
FILES = "files"
"""Images that the job made or was given after the backup, and its layouts."""
REPORTS = "reports"
ATTACHMENTS = "attachments"
TO_WRITE = "to-write"
IMAGE_NAMES = (*(role.value for role in Role), TO_WRITE)
"""Names that stand for an image inside a job."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenJob:
    """A job's folder with what its journal said when it was opened."""

    folder: Path
    job: Job
    torn: TornLine | None = None
    """A last line that a crash left without its end; no entry, but to be reported."""

    @property
    def journal(self) -> Path:
        """The journal's path."""
        return self.folder / JOURNAL


def find_job_folder(asked: Path | None, start: Path) -> Path | None:
    """The folder named with ``--job``, or the job that `start` lies in; None without one.

    Raises:
        InputError: a folder cannot be looked into.
    """
    if asked is not None:
        return asked
    for folder in (start, *start.parents):
        try:
            if (folder / JOURNAL).is_file():
                return folder
        except PermissionError:
            continue  # A folder above that is closed to this user holds no job of theirs.
        except OSError as error:
            raise InputError(
                f"the folder cannot be looked into: {error.strerror}",
                code="unreadable",
                next_step="check the medium",
                file=str(folder),
            ) from error
    return None


def open_job(folder: Path) -> OpenJob:
    """Read and verify the journal of a job.

    Raises:
        UsageError: the folder holds no job.
        JournalError: the journal is broken; names the first bad line.
    """
    path = folder / JOURNAL
    if not path.exists():
        raise UsageError(
            f"there is no job in '{folder}'",
            code="no-job",
            next_step="open one with 'benchimage start --job DIR'",
        )
    state = check_journal(path)
    try:
        return OpenJob(folder=folder, job=build_job(state.entries), torn=state.torn)
    except ValueError as error:
        raise JournalError(str(error), code="journal-content", file=str(path)) from error


def create_job(folder: Path, order: Order, *, now: datetime) -> OpenJob:
    """Make the folder of a new order and open its journal.

    Raises:
        RefusalError: the folder holds a job already.
    """
    path = folder / JOURNAL
    if path.exists():
        raise RefusalError(f"'{folder}' holds a job already", code="job-exists")
    for name in ("", FILES, REPORTS, ATTACHMENTS):
        make_folder(folder / name)
    append_entry(path, kind="job-opened", facts=order.to_facts(), files=(), time=stamp(now))
    return open_job(folder)


def record(
    opened: OpenJob,
    kind: str,
    facts: Mapping[str, Any],
    *,
    files: Sequence[tuple[str, str]] = (),
    now: datetime,
) -> OpenJob:
    """Append one entry and return the job as it is then.

    Args:
        opened: The job.
        kind: As in `memtool.core.job`.
        facts: JSON values.
        files: (path, SHA-256) of the files that the entry speaks of.
        now: Time of the entry, with zone.
    """
    _append(opened, kind, facts, files, now)
    return open_job(opened.folder)


def _append(
    opened: OpenJob,
    kind: str,
    facts: Mapping[str, Any],
    files: Sequence[tuple[str, str]],
    now: datetime,
) -> JournalEntry:
    return append_entry(
        opened.journal,
        kind=kind,
        facts=dict(facts),
        files=tuple(JournalFile(path=path, sha256=digest) for path, digest in files),
        time=stamp(now),
    )


def stamp(now: datetime) -> str:
    """A time as the journal and the store write it: ISO 8601 to the second, with zone."""
    return now.isoformat(timespec="seconds")


def free_path(folder: Path, stem: str, suffix: str) -> Path:
    """The first of ``stem-1.suffix``, ``stem-2.suffix`` … that does not exist."""
    number = 1
    while (path := folder / f"{stem}-{number}{suffix}").exists() or path.is_symlink():
        number += 1
    return path


def relative_to_job(opened: OpenJob, path: Path) -> str:
    """How the journal names a file inside the job's folder."""
    return path.relative_to(opened.folder).as_posix()


def name_in_record(opened: OpenJob, path: Path) -> str:
    """How the record names any file: inside the job relative to it, else as it was named."""
    try:
        return path.resolve().relative_to(opened.folder.resolve()).as_posix()
    except (ValueError, OSError):
        return str(path)


def load_kept(store: BackupStore, kept: KeptReads) -> tuple[BackupEntry, LoadedRead]:
    """The first read of a backup, from its verified stored copy.

    Raises:
        StoreError: the store has lost or changed it.
    """
    entry = store.entry(kept.backup)
    return entry, _load_stored(store, entry, 0)


def load_kept_reads(store: BackupStore, kept: KeptReads) -> list[LoadedRead]:
    """All reads of a backup, from their verified stored copies.

    Raises:
        StoreError: the store has lost or changed one.
    """
    entry = store.entry(kept.backup)
    return [_load_stored(store, entry, number) for number in range(len(entry.reads))]


def _load_stored(store: BackupStore, entry: BackupEntry, number: int) -> LoadedRead:
    read = entry.reads[number]
    data = store.read_file_of(entry, number)
    options = ReadOptions(
        format=ImageFormat(read.format),
        base=read.base,
        overlap_last=read.overlap_last,
        accept_missing_end=read.accept_missing_end,
    )
    # Two backups may hold reads of one name: what they are is told by id and number.
    file = ReadFile(path=f"{entry.id}/{number}", device=0, inode=0)
    return parse_content(read.name, data, read.file_sha256, options, file=file)


def load_role(
    opened: OpenJob, store: BackupStore, role: Role, chip: str | None
) -> tuple[KeptReads, LoadedRead] | None:
    """The newest backup of that role (and chip), or None."""
    kept = opened.job.latest_reads(role, chip)
    return None if kept is None else (kept, load_kept(store, kept)[1])


def only_chip(opened: OpenJob, asked: str | None) -> str | None:
    """The chip that is meant: the one asked for, or the job's only one.

    Raises:
        UsageError: the job has several chips and none was named.
    """
    if asked is not None:
        return asked
    chips = sorted({kept.chip for kept in opened.job.reads})
    if len(chips) > 1:
        raise UsageError(
            f"this job has several chips ({', '.join(chips)})",
            code="which-chip",
            next_step="name one with --chip",
        )
    return chips[0] if chips else None


def load_named(
    name: str,
    options: ReadOptions,
    *,
    opened: OpenJob | None,
    store: BackupStore,
    chip: str | None,
) -> LoadedRead:
    """The image that `name` stands for: inside a job one of its own, otherwise a path.

    Raises:
        UsageError: the job has no such image, or there is no such file.
    """
    if opened is None or name not in IMAGE_NAMES:
        return load_read(Path(name), options)
    chip = only_chip(opened, chip)
    if name == TO_WRITE:
        made = [item for item in opened.job.blankings if chip is None or item.chip == chip]
        if not made:
            raise UsageError(
                "this job has made no file to write yet",
                code="no-to-write",
                next_step="make one with 'benchimage blank donor'",
            )
        return load_read(opened.folder / made[-1].copy, options)
    found = load_role(opened, store, Role(name), chip)
    if found is None:
        raise UsageError(
            f"this job keeps no read of the {name}",
            code="no-such-role",
            next_step=f"add its reads with 'benchimage start --{name} READ'",
        )
    return found[1]
