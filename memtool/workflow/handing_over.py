"""A whole job handed to another machine: one archive out of it, and a job out of an archive."""

from __future__ import annotations

import hashlib
import tempfile
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from memtool.core.job.events.kinds import CommandRun
from memtool.core.names import JOURNAL, file_stem
from memtool.errors import InputError, StoreError
from memtool.store.archive import SUMS, make_archive, parse_sums
from memtool.store.backups import BackupStore
from memtool.store.handing_over import copy_backups, read_tree
from memtool.store.reading import compute_sha256, read_file
from memtool.workflow.jobs import (
    ATTACHMENTS,
    FILES,
    REPORTS,
    OpenJob,
    append_event,
    name_in_journal,
    open_job,
    stamp,
)
from memtool.workflow.writing import NewFile, write_files

JOB, BACKUPS, README = "job", "backups", "README.txt"
"""What lies in an archive beside its list of digests."""

_README = """\
A JOB OF BENCHIMAGE, WITH ITS BACKUPS

job/       the order: its journal, the files to program, the reads that were checked, reports
backups/   every read of its modules, as it was saved (backups/README.txt says how to get
           one out by hand)

To see that nothing was changed, in this folder:

    sha256sum -c SHA256SUMS            (macOS: shasum -a 256 -c SHA256SUMS)

To go on with the job on this machine:

    benchimage job adopt .
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exported:
    """The archive that was written."""

    opened: OpenJob
    out: str
    sha256: str
    """Digest of the archive."""
    size: int
    files: int
    """How many files are in it, its list of digests not counted."""
    backups: tuple[str, ...]
    """Ids of the backups in it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Adopted:
    """The job that is known to this store now."""

    opened: OpenJob
    verified: int | None
    """How many files were found match the list of digests; None: there is no list."""
    copied: tuple[str, ...]
    """Ids of the backups that came into the store."""


def export_job(opened: OpenJob, store: BackupStore, out: Path, *, now: datetime) -> Exported:
    """Write the job and its backups as one archive.

    Raises:
        RefusalError: `out` exists.
        StoreError: a backup is lost or damaged, or the archive could not be written.
    """
    ids = tuple(dict.fromkeys(backup.backup for backup in opened.job.backups))
    files = {README: _README.encode(), **_own_files(opened), **_backup_files(store, ids, now)}
    data = make_archive(file_stem(JOB, opened.folder.resolve().name), files, time=now)
    digest = compute_sha256(data)
    event = CommandRun(
        command="job export",
        details={"out": name_in_journal(opened, out), "sha256": digest, "backups": list(ids)},
    )
    new = [NewFile(path=out, data=data)]
    named = [(name_in_journal(opened, out), digest)]
    opened = write_files(opened, event, new, files=named, now=now)
    return Exported(
        opened=opened, out=str(out), sha256=digest, size=len(data), files=len(files), backups=ids
    )


def adopt_job(folder: Path, store: BackupStore, *, now: datetime) -> Adopted:
    """Make a job folder known to this store: an unpacked archive, or a job that was moved.

    Every file of the archive is compared with its list of digests, the journal's chain is
    verified, and backups that the store lacks are taken over and read back.

    Args:
        folder: What the archive was unpacked to, or the job's own folder.
        store: The store of this machine.
        now: Time of the journal's entry.

    Raises:
        UsageError: there is no job.
        InputError: a file is not what the list of digests says.
        JournalError: the journal is broken.
        StoreError: a backup is neither in the archive nor in the store, or is damaged.
    """
    top, job = _find_parts(folder)
    verified = None if top is None else _verify(top)
    # What the store remembers may be damaged: this command is the one that mends it.
    opened = replace(open_job(job), store=store.folder)
    ids = tuple(dict.fromkeys(backup.backup for backup in opened.job.backups))
    source = store.folder if top is None else top / BACKUPS
    copied = copy_backups(source, store.folder, ids, time=stamp(now)) if ids else ()
    for backup_id in ids:
        store.require_receipt(backup_id)
    event = CommandRun(command="job adopt", details={"backups": list(copied)})
    return Adopted(opened=append_event(opened, event, now=now), verified=verified, copied=copied)


def _own_files(opened: OpenJob) -> dict[str, bytes]:
    """The journal, and what the job's commands put into its folders; nothing else of it."""
    files = {f"{JOB}/{JOURNAL}": read_file(opened.journal).data}
    for part in (FILES, REPORTS, ATTACHMENTS):
        tree = read_tree(opened.folder / part)
        files |= {f"{JOB}/{part}/{name}": data for name, data in tree.items()}
    return files


def _backup_files(store: BackupStore, ids: tuple[str, ...], now: datetime) -> dict[str, bytes]:
    """A whole small store that holds these backups alone."""
    if not ids:
        return {}
    with tempfile.TemporaryDirectory(prefix="benchimage-") as folder:
        small = Path(folder) / BACKUPS
        copy_backups(store.folder, small, ids, time=stamp(now))
        tree = read_tree(small)
    return {f"{BACKUPS}/{name}": data for name, data in tree.items() if name != "lock"}


def _find_parts(folder: Path) -> tuple[Path | None, Path]:
    """The folder of an unpacked archive, where it is one, and the folder of the job.

    Many programs unpack into a folder of their own, so one folder within is looked into.
    """
    inner = [each.parent for each in folder.glob(f"*/{SUMS}") if _is_archive(each.parent)]
    tops = [top for top in (folder, folder.resolve().parent) if _is_archive(top)]
    for top in tops or (inner if len(inner) == 1 else []):
        if folder.resolve() in {each.resolve() for each in (top, top / JOB, top.parent)}:
            return top, top / JOB
    return None, folder


def _is_archive(top: Path) -> bool:
    return (top / SUMS).is_file() and (top / JOB / JOURNAL).is_file()


def _verify(top: Path) -> int:
    listed = top / SUMS
    try:
        sums = parse_sums(read_file(listed).data)
    except ValueError as error:
        raise InputError(
            f"this is not a list of digests: {error}",
            code="not-a-list-of-digests",
            file=str(listed),
            next_step="unpack the archive again",
        ) from error
    for name, digest in sums.items():
        path = top / name
        is_inside = path.resolve().is_relative_to(top.resolve()) and not path.is_symlink()
        if not is_inside or digest not in _digests(path, grows=name == f"{JOB}/{JOURNAL}"):
            raise StoreError(
                "the file is not what the archive's list of digests says",
                code="archive-changed",
                file=str(path),
                next_step="unpack the archive again, or have it sent again",
            )
    return len(sums)


def _digests(path: Path, *, grows: bool) -> set[str]:
    """The file's digest; of a journal, which grows once the job goes on, after every line."""
    content = read_file(path)
    found, digest = {content.sha256}, hashlib.sha256()
    for line in content.data.splitlines(keepends=True) if grows else ():
        digest.update(line)
        found.add(digest.hexdigest())
    return found
