"""Give a backup back as a file; in a job the journal tells of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from memtool.core.job.backup import Backup
from memtool.core.job.events.kinds import ReadsBackedUp
from memtool.core.job.events.memory_kinds import BackupRestored
from memtool.core.role import Role
from memtool.errors import StoreError, UsageError
from memtool.formats.codec import ImageFormat, encode_image
from memtool.formats.parsed import ParsedImage
from memtool.store.backups import BackupStore
from memtool.store.reading import compute_sha256
from memtool.store.writing import write_new
from memtool.workflow.jobs import (
    OpenJob,
    name_in_journal,
    only_memory,
    require_role,
    split_image_name,
)
from memtool.workflow.writing import NewFile, write_files


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """A backup that was given back."""

    entry: Backup
    parsed: ParsedImage
    format: str
    data: bytes
    sha256: str
    """Digest of the file."""
    order: str
    """In which its bytes lie."""
    very_file: bool
    """Whether it is the file that was read, byte for byte."""


def find_backup(store: BackupStore, opened: OpenJob | None, name: str) -> Backup:
    """The backup that is meant: by its id, or inside a job as ``donor/eeprom``.

    Where the first store cannot be opened or has lost it, the second one is asked.

    Raises:
        UsageError: there is none.
        StoreError: its record is damaged.
    """
    parts = None if opened is None else split_image_name(opened, name)
    if opened is not None and parts is not None and parts[0] in tuple(Role):
        memory = parts[1] or only_memory(opened, None)
        name = require_role(opened, store, Role(parts[0]), memory)[0].backup
    try:
        return store.entry(name)
    except (StoreError, UsageError):
        if store.also is None:
            raise
        try:
            return BackupStore(store.also).entry(name)
        except (StoreError, UsageError):
            pass
        raise


def restore_backup(
    store: BackupStore,
    opened: OpenJob | None,
    entry: Backup,
    *,
    number: int,
    to: ImageFormat | None,
    out: Path,
    now: datetime,
) -> Restored:
    """Write one read of a backup as a file: the exact file that was read, unless `to` is given.

    In a job it is in the reader's order; a read that came in another one is turned.

    Args:
        store: Holds it.
        opened: The job that the file is for; its journal tells of it.
        entry: The backup.
        number: Which of its reads, from 0.
        to: Another format.
        out: A new file.
        now: Time of the journal's entry.

    Raises:
        UsageError: the image cannot be written in that format.
        StoreError: no good copy is left, or the file could not be written.
        RefusalError: `out` exists.
    """
    read = entry.reads[number]
    parsed = store.image_of(entry, number)
    data = store.read_file_of(entry, number)
    backup = None if opened is None else _backup_of(opened, entry)
    order = read.options.order
    if opened is not None and backup is not None:
        order = opened.job.reader_order(backup.memory)
    if to is not None or order != read.options.order:
        try:
            data = encode_image(parsed.image, to or parsed.format, order=order)
        except ValueError as error:
            raise UsageError(
                f"the image cannot be written as {to or parsed.format}: {error}",
                code="cannot-encode",
                next_step="take another format with --to",
            ) from error
    digest = compute_sha256(data)
    if opened is None:
        write_new(out, data)
    else:
        event = BackupRestored(
            memory=backup.memory if backup else None,
            backup=entry.id,
            role=entry.role,
            out=name_in_journal(opened, out),
            sha256=read.sha256,
            file_sha256=digest,
        )
        files = [(event.out, digest)]
        write_files(opened, event, [NewFile(path=out, data=data)], files=files, now=now)
    return Restored(
        entry=entry,
        parsed=parsed,
        format=read.format if to is None else to.value,
        data=data,
        sha256=digest,
        order=order,
        very_file=digest == read.file_sha256,
    )


def _backup_of(opened: OpenJob, entry: Backup) -> ReadsBackedUp | None:
    """The job's own record of a backup; None where it is another job's."""
    found = [backup for backup in opened.job.backups if backup.backup == entry.id]
    return found[-1] if found else None
