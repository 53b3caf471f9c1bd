"""The folder of one order: its journal, its files, and the names that stand for its images."""

from __future__ import annotations

import gc
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache
from pathlib import Path

from memtool.core.chip import Chip, find_chip
from memtool.core.health.same_file import ReadFile
from memtool.core.job.backup import Backup
from memtool.core.job.events.event import Event, facts_to_text
from memtool.core.job.events.kinds import (
    FilesIntended,
    ImageBlanked,
    JobOpened,
    ReadsBackedUp,
)
from memtool.core.job.job import Job, add_event, build_job
from memtool.core.job.order import Order
from memtool.core.names import JOURNAL
from memtool.core.read_options import PLAIN, ReadOptions
from memtool.core.role import Role
from memtool.errors import JournalError, RefusalError, StoreError, UsageError
from memtool.store.backups import BackupStore
from memtool.store.journal import (
    JOB_VERSION,
    JournalFile,
    JournalState,
    TornLine,
    append_entry,
    check_journal,
)
from memtool.store.writing import make_folder, require_outside_stores
from memtool.version import VERSION
from memtool.workflow.facts_files import fetch_facts, put_facts
from memtool.workflow.loading import LoadedRead, in_order, load_read, parse_content
from memtool.workflow.remembering import remember, require_not_vanished, require_whole, row_of

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
    store: Path | None = None
    """The backup store that remembers the job; None: none does."""
    first: str = ""
    """SHA-256 of the journal's first line; its first digits are the job's id."""
    last: str = ""
    """SHA-256 of its last line."""

    @property
    def journal(self) -> Path:
        """The journal's path."""
        return self.folder / JOURNAL


def open_job(folder: Path, *, store: Path | None = None) -> OpenJob:
    """Read and verify the journal of a job, and compare it with what the store remembers.

    Args:
        folder: Of the job.
        store: The backup store; None: nobody remembers the job.

    Raises:
        UsageError: the folder holds no job.
        JournalError: the journal is broken, or has lost entries; names what is wrong.
        StoreError: the store's memory of the job cannot be read.
    """
    path = folder / JOURNAL
    if not path.exists():
        # The store may remember a job here: then its journal is lost, which is worse than none.
        require_not_vanished(folder, store)
        raise UsageError(
            f"there is no job in '{folder}'",
            code="no-job",
            next_step="open one with 'benchimage start --job DIR'",
        )
    with collecting_later():
        return _open(folder, path, store)


@contextmanager
def collecting_later() -> Iterator[None]:
    """For work that makes a million objects which all stay, as a long journal does: looking for
    rubbish among them again and again would cost a quarter of the time."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _open(folder: Path, path: Path, store: Path | None) -> OpenJob:
    state = _read_whole(folder, path, store)
    try:
        return OpenJob(
            folder=folder,
            job=build_job(fetch_facts(folder, entry) for entry in state.entries),
            torn=state.torn,
            store=store,
            first=state.entries[0].sha256,
            last=state.entries[-1].sha256,
        )
    except (IndexError, ValueError) as error:
        message = str(error) if state.entries else "the journal is empty"
        raise JournalError(message, code="journal-content", file=str(path)) from error


def _read_whole(folder: Path, path: Path, store: Path | None) -> JournalState:
    """The journal, with at least what the store remembers of it."""
    state = _read_state(folder, path, store)
    while True:
        try:
            # Before anything is folded: a journal that lost entries may be sound by itself.
            if state.entries:
                require_whole(folder, store, [entry.sha256 for entry in state.entries])
            return state
        except JournalError:
            # Another run may have added an entry, and the store remembered it, meanwhile.
            later = _read_state(folder, path, store)
            if len(later.entries) <= len(state.entries):
                raise
            state = later


def _read_state(folder: Path, path: Path, store: Path | None) -> JournalState:
    try:
        return check_journal(path)
    except JournalError as error:
        if error.code == "empty-journal":
            require_not_vanished(folder, store)
        raise


def create_job(folder: Path, order: Order, *, now: datetime, store: Path | None = None) -> OpenJob:
    """Make the folder of a new order and open its journal.

    Raises:
        RefusalError: the folder holds a job already.
        JournalError: it held one, as the store remembers, and its journal is gone.
    """
    path = folder / JOURNAL
    if path.exists():
        raise RefusalError(f"'{folder}' already holds a job", code="job-exists")
    # A journal inside a store would read as damage there.
    require_outside_stores(path)
    require_not_vanished(folder, store)
    for name in ("", FILES, REPORTS, ATTACHMENTS):
        make_folder(folder / name)
    event = JobOpened(order=order, tool=tool_version())
    # The folders come first: a journal says that the job is there.
    entry = append_entry(
        path, kind=event.kind, facts=event.to_facts(), time=stamp(now), version=JOB_VERSION
    )
    if store is not None:
        row = row_of(build_job([entry]), folder, first=entry.sha256, last=entry.sha256)
        remember(store, row)
    return open_job(folder, store=store)


def append_event(
    opened: OpenJob,
    event: Event,
    *,
    files: Sequence[tuple[str, str]] = (),
    now: datetime,
) -> OpenJob:
    """Append one event and return the job as it is then.

    The event is read back from its own text and folded before anything is written, so that
    no command can write what no command can read.

    Args:
        opened: The job.
        event: Its number, time and tool are put in here.
        files: (path, SHA-256) of the files that the entry speaks of.
        now: Time of the entry, with zone.

    Raises:
        JournalError: the journal is broken; nothing was added.
        StoreError: not written.
    """
    event = replace(event, tool=tool_version())
    facts = event.to_facts()
    # Made once: of a large region it has megabytes.
    text = facts_to_text(facts)
    number = opened.job.events[-1].number + 1
    # As a reader will read it: what cannot be read back fails here, before anything is written.
    written = type(event).from_text(text, facts, number=number, time=stamp(now))
    job = add_event(opened.job, written)
    # Large facts go into files of their own, which must be there before the line that names them.
    kept, more = put_facts(opened.folder, facts, text)
    entry = append_entry(
        opened.journal,
        kind=event.kind,
        facts=kept,
        files=tuple(JournalFile(path=path, sha256=digest) for path, digest in (*files, *more)),
        time=stamp(now),
        version=JOB_VERSION,
    )
    if entry.number != number or opened.torn is not None:
        # Another run has added something meanwhile.
        opened = open_job(opened.folder, store=opened.store)
    else:
        opened = replace(opened, job=job, last=entry.sha256)
    if opened.store is not None:
        # After the entry: a store that remembers less than the journal holds does no harm.
        row = row_of(opened.job, opened.folder, first=opened.first, last=opened.last)
        remember(opened.store, row)
    return opened


@cache
def tool_version() -> str:
    """The version of benchimage that runs."""
    return VERSION


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


def name_in_journal(opened: OpenJob, path: Path) -> str:
    """How the journal names any file: inside the job relative to it, else as it was named."""
    try:
        return path.resolve().relative_to(opened.folder.resolve()).as_posix()
    except (ValueError, OSError):
        return str(path)


def is_own_file(opened: OpenJob, stores: Sequence[Path], path: Path) -> bool:
    """Whether a file is one that the job's commands wrote, or that a backup store keeps.

    A read that the technician saved into the job's folder itself is none of them. Links
    are followed, and two names of one file are one file, whatever their letters' case.

    Args:
        opened: The job.
        stores: Folders of the backup stores.
        path: An existing file.
    """
    closed = [*(opened.folder / name for name in (FILES, REPORTS, ATTACHMENTS)), *stores]
    if any(_lies_in(path, folder) for folder in closed):
        return True
    # An intent names what a command is about to write by its full path.
    written = {
        opened.folder / file.path
        for event in opened.job.events
        if isinstance(event, FilesIntended)
        for file in event.files
    } | {opened.folder / name for made in opened.job.blankings for name in (made.out, made.copy)}
    if any(own.exists() and own.samefile(path) for own in written):
        return True
    # A hard link has no path to compare; the link count spares the walk in nearly every case.
    return path.stat().st_nlink > 1 and any(_is_linked_in(path, folder) for folder in closed)


def _lies_in(path: Path, folder: Path) -> bool:
    return folder.exists() and any(
        parent.exists() and parent.samefile(folder) for parent in path.resolve().parents
    )


def _is_linked_in(path: Path, folder: Path) -> bool:
    """Whether a file below the folder is this very one under another name."""
    return any(own.is_file() and own.samefile(path) for own in folder.rglob("*"))


def load_backup(store: BackupStore, backup: ReadsBackedUp) -> tuple[Backup, LoadedRead]:
    """The first read of a backup, from its verified stored copy.

    Raises:
        StoreError: the store has lost or changed it.
    """
    entry = entry_of(store, backup)
    return entry, _load_stored(store, entry, 0)


def load_backup_reads(store: BackupStore, backup: ReadsBackedUp) -> list[LoadedRead]:
    """All reads of a backup, from their verified stored copies.

    Raises:
        StoreError: the store has lost or changed one.
    """
    entry = entry_of(store, backup)
    loaded: dict[tuple[str, ReadOptions], LoadedRead] = {}
    found = []
    for number, read in enumerate(entry.reads):
        # Reads that agree are one file of the store, and one image.
        known = (read.file_sha256, read.options)
        if known not in loaded:
            loaded[known] = _load_stored(store, entry, number)
        found.append(loaded[known]._replace(path=read.name, file=_file_of(entry, number)))
    return found


def load_stored(store: BackupStore, backup: ReadsBackedUp, number: int) -> LoadedRead:
    """One read of a backup, by its place from 0, from its verified stored copy.

    Raises:
        StoreError: the store has lost or changed it.
    """
    return _load_stored(store, entry_of(store, backup), number)


def entry_of(store: BackupStore, backup: ReadsBackedUp) -> Backup:
    """The store's record of a backup of the job.

    Raises:
        StoreError: this store does not know the job's backup, or is not there.
    """
    try:
        return store.entry(backup.backup)
    except (StoreError, UsageError) as error:
        if error.code not in ("no-store", "no-such-backup"):
            raise
        if store.folder.is_dir():
            message = f"this backup store does not know the job: it has no backup {backup.backup}"
        else:
            message = "the job's backup store is out of reach: there is no such folder"
        raise StoreError(
            message,
            code="unknown-to-store",
            next_step="name the job's store with --store or BENCHIMAGE_STORE, or connect its"
            " disk; a job from another machine is taken over with 'benchimage job adopt DIR'",
            file=str(store.folder),
        ) from error


def _load_stored(store: BackupStore, entry: Backup, number: int) -> LoadedRead:
    read = entry.reads[number]
    data = store.read_file_of(entry, number)
    file = _file_of(entry, number)
    return parse_content(read.name, data, read.file_sha256, read.options, file=file)


def _file_of(entry: Backup, number: int) -> ReadFile:
    """Which file a read is: two backups may hold reads of one name."""
    return ReadFile(path=f"{entry.id}/{number}", device=0, inode=0)


def load_role(
    opened: OpenJob, store: BackupStore, role: Role, memory: str | None
) -> tuple[ReadsBackedUp, LoadedRead] | None:
    """The newest backup of that role (and memory), or None."""
    backup = opened.job.newest_backup(role, memory)
    return None if backup is None else (backup, load_backup(store, backup)[1])


def list_chip_names(opened: OpenJob) -> list[str]:
    """The chips of the job's reads as it records them, in alphabetical order."""
    return sorted({backup.chip for backup in opened.job.backups})


def name_of_chip(opened: OpenJob | None, chip: Chip) -> str:
    """How the job records this chip; version 0.1.0 wrote ``65536`` for what is ``64K`` now."""
    names = [] if opened is None else list_chip_names(opened)
    return next((name for name in names if find_chip(name) == chip), chip.name)


def only_memory(opened: OpenJob, asked: str | None) -> str | None:
    """The memory that is meant: the one asked for, by name or chip, or the job's only one.

    Raises:
        UsageError: the job has several memories and none was named.
    """
    if asked is not None:
        return opened.job.find_memory(asked)
    names = opened.job.memories
    if len(names) > 1:
        raise UsageError(
            f"this job has several memories ({', '.join(names)})",
            code="which-memory",
            next_step=f"name the one that is meant, as in donor/{names[0]}",
        )
    return names[0] if names else None


def load_to_write(opened: OpenJob, made: ImageBlanked, options: ReadOptions) -> LoadedRead:
    """The job's copy of a file to program, if it still is what the journal says.

    Raises:
        StoreError: it was changed since.
    """
    loaded = load_read(opened.folder / made.copy, replace(options, order=made.order))
    if loaded.file_sha256 != made.file_sha256:
        raise StoreError(
            "the job's copy of the file to program was changed since it was made",
            code="to-write-changed",
            file=str(opened.folder / made.copy),
            next_step="do not write it to a module; blank the donor again",
        )
    return loaded


def split_image_name(opened: OpenJob, text: str) -> tuple[str, str | None] | None:
    """What `text` stands for inside a job: ``donor/eeprom`` is ("donor", "eeprom").

    Returns:
        None where it is no name of the job's, but a path. The memory is None where none is
        named.
    """
    name, separator, memory = text.partition("/")
    if name not in IMAGE_NAMES or (separator and memory not in opened.job.memories):
        return None
    return name, memory if separator else None


def load_named(
    name: str,
    options: ReadOptions,
    *,
    opened: OpenJob,
    store: BackupStore,
    chip: str | None,
) -> LoadedRead:
    """The image that `name` stands for: one of the job's own, otherwise a path.

    Args:
        name: A path, or ``donor``, ``to-write`` …, with ``/MEMORY`` behind it or without.
        options: How a file is read.
        opened: The job.
        store: Where its backups are.
        chip: The memory that is meant, by name or chip, where `name` tells none.

    Raises:
        UsageError: the job has no such image, or there is no such file.
    """
    parts = split_image_name(opened, name)
    if parts is None:
        return _in_known_order(opened, store, load_read(Path(name), options))
    kind, named = parts
    memory = named or only_memory(opened, chip)
    if kind == TO_WRITE:
        made = opened.job.blankings_of(memory)
        if not made:
            raise UsageError(
                "this job has not made a file to program yet",
                code="no-to-write",
                next_step="make one with 'benchimage blank donor'",
            )
        return load_to_write(opened, made[-1], options)
    return require_role(opened, store, Role(kind), memory)[1]


def _in_known_order(opened: OpenJob, store: BackupStore, read: LoadedRead) -> LoadedRead:
    """A file that the job knows, by its digest, in the chip's order; any other as it is."""
    order = read.options.order
    for made in opened.job.blankings:
        if made.file_sha256 == read.file_sha256:
            order = made.order
    for backup in opened.job.backups:
        if any(name != PLAIN for name in backup.orders):
            known = (each for each in store.entry(backup.backup).reads)
            same = (each for each in known if each.file_sha256 == read.file_sha256)
            # Later ones win: what was settled last about a file holds.
            order = next((each.options.order for each in same), order)
    return in_order(read, order)


def require_role(
    opened: OpenJob, store: BackupStore, role: Role, memory: str | None
) -> tuple[ReadsBackedUp, LoadedRead]:
    """The newest backup of that role (and memory).

    Raises:
        UsageError: the job keeps no such read.
    """
    found = load_role(opened, store, role, memory)
    if found is None:
        of = f"'s {memory}" if memory is not None and len(opened.job.memories) > 1 else ""
        raise UsageError(
            f"this job keeps no read of the {role.value}{of}",
            code="no-such-role",
            next_step=f"add its reads with 'benchimage start --{role.value} READ'",
        )
    return found
