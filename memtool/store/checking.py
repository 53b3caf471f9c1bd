"""Looks at everything in a store and says of each item what is wrong with it; changes nothing.

Two levels: names, sizes, records and journal; or every byte as well.
"""

from __future__ import annotations

import stat
from collections.abc import Iterator
from dataclasses import dataclass, replace

from memtool.core.finding import Verdict
from memtool.core.job.backup import BackupRead
from memtool.errors import InputError, JournalError, StoreError
from memtool.formats.codec import parse_as
from memtool.store.folder import Folder
from memtool.store.journal import JournalState
from memtool.store.place import (
    FILES,
    JOURNAL,
    LOCK,
    RECORDS,
    SET_ASIDE,
    Place,
    describe_change,
)
from memtool.store.reading import read_file_in
from memtool.store.records import Record, is_digest, split_record_name
from memtool.store.register import check_rows
from memtool.store.shape import FIXED, JOBS, MARKER, README
from memtool.store.store_journal import find_named_records, read_store_journal
from memtool.store.writing import UNFINISHED

OF_THE_SYSTEM = frozenset({".DS_Store", "Thumbs.db", "desktop.ini"})
"""What file managers leave in folders that they show."""

_FOLDERS = frozenset({FILES, RECORDS, SET_ASIDE, JOBS})
_SMALL = 1024 * 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreItem:
    """One thing in a store, or one that should be there."""

    id: str
    """A backup's id, or the path inside the store."""
    result: Verdict
    text: str
    """What was found, one sentence with full stop."""

    def in_second_store(self) -> StoreItem:
        """The same, said of the second store."""
        return replace(self, text=f"Second store: {self.text}")


def find_items(place: Place, *, full: bool) -> tuple[StoreItem, ...]:
    """Every backup, and everything else that is wrong, odd or left over.

    Args:
        place: The open store; the caller holds its lock.
        full: Also read and hash every byte.
    """
    good, bad = place.read_records()
    state, journal_items = _check_journal(place.root)
    named = frozenset(find_named_records(state)) if state else None
    return (
        *_check_backups(place, good, named, full=full),
        *_check_bad_records(bad, named),
        *_check_missing_records(place, named or frozenset()),
        *journal_items,
        *_check_root(place.root),
        *_check_records_folder(place.records),
        *_check_files_folder(place, good, full=full),
        *_check_jobs_folder(place.root),
    )


def find_differences(place: Place, other: Place) -> tuple[StoreItem, ...]:
    """The backups that only one of two stores has."""
    ours, theirs = place.read_records()[0], other.read_records()[0]
    both = {record.content for record in ours} & {record.content for record in theirs}
    return tuple(
        _fail(record.entry.id, f"The {where} store has no copy of this backup.")
        for records, where in ((ours, "second"), (theirs, "first"))
        for record in records
        if record.content not in both
    )


def find_faults_of_copy(place: Place, read: BackupRead, size: int, *, full: bool) -> Iterator[str]:
    """What is wrong with one stored file, as the rest of a sentence about it."""
    status = place.files.status(read.file_sha256)
    if status is None:
        yield "is missing"
    elif stat.S_ISLNK(status.st_mode):
        yield "is a symbolic link and was not read"
    elif not stat.S_ISREG(status.st_mode):
        yield "is not a regular file"
    elif not full:
        if status.st_size != size:
            yield describe_change(status.st_size, size)
    else:
        try:
            data = place.read_copy(read.file_sha256, size)
        except StoreError as error:
            yield _rest(error.message)
            return
        if not _holds_image(read, data):
            yield f"does not hold the image {read.sha256[:12]} that its record names"


def _check_backups(
    place: Place, records: tuple[Record, ...], named: frozenset[str] | None, *, full: bool
) -> Iterator[StoreItem]:
    seen: dict[tuple[object, ...], str] = {}
    for record in records:
        entry, faults = record.entry, []
        # By digest: two reads of one content are one copy, and its fault is told once.
        reads = {
            read.file_sha256: (read, size)
            for read, size in zip(entry.reads, record.file_sizes, strict=True)
        }
        for read, size in reads.values():
            faults += [
                f"The copy {FILES}/{read.file_sha256} {fault}."
                for fault in find_faults_of_copy(place, read, size, full=full)
            ]
        if named is not None and record.name not in named:
            faults.append(
                "The journal has no line for it: the run that added it was interrupted, or the "
                "journal was cut; add the read again, or use --repair."
            )
        if record.content in seen:
            faults.append(f"It is a duplicate: backup {seen[record.content]} keeps the same reads.")
        seen.setdefault(record.content, entry.id)
        if faults:
            yield from (_fail(entry.id, fault) for fault in faults)
        else:
            yield _pass(
                entry.id,
                "Every byte is unchanged."
                if full
                else "Record, names and sizes match; the bytes were not read.",
            )


def _check_bad_records(
    errors: tuple[StoreError, ...], named: frozenset[str] | None
) -> Iterator[StoreItem]:
    for error in errors:
        name = str(error.file).replace("\\", "/").rpartition("/")[2]
        item = f"{RECORDS}/{name}"
        # A record without its line was never told to anybody.
        if named is not None and name not in named and error.code == "record-changed":
            yield _pass(item, f"Left over from an interrupted run: {error.message}.")
        else:
            yield _fail(item, f"{error.message[0].upper()}{error.message[1:]}.")


def _check_missing_records(place: Place, named: frozenset[str]) -> Iterator[StoreItem]:
    for name in sorted(named):
        if place.records.status(name) is None:
            parts = split_record_name(name)
            assert parts is not None
            yield _fail(parts[1][:12], f"Its record is missing: {RECORDS}/{name}.")


def _check_journal(root: Folder) -> tuple[JournalState | None, tuple[StoreItem, ...]]:
    try:
        state = read_store_journal(root)
    except (JournalError, StoreError) as error:
        place = "" if error.line is None else f"Line {error.line}: "
        return None, (_fail(JOURNAL, f"{place}{error.message}."),)
    if state.torn is None:
        return state, ()
    text = (
        f"Line {state.torn.line} has no end: a run was interrupted while writing it;"
        " the next backup, or --repair, puts it right."
    )
    return state, (_fail(JOURNAL, text),)


def _check_root(root: Folder) -> Iterator[StoreItem]:
    for name, contents in FIXED.items():
        fault = find_fault_of_fixed(root, name, contents)
        if fault is not None:
            yield _fail(name, f"It {fault}; --repair puts it back.")
    fixed = {name.lower() for name in (MARKER, README, JOURNAL)}
    for name in root.names():
        status = root.status(name)
        # Some file systems that are blind to case give names back in lower case.
        if name.lower() in fixed or status is None:
            continue
        right = stat.S_ISDIR if name in _FOLDERS else stat.S_ISREG
        if name in _FOLDERS or name == LOCK:
            if not right(status.st_mode):
                yield _fail(name, "Something else is in its place.")
        else:
            yield _stranger(name)


def find_fault_of_fixed(root: Folder, name: str, contents: tuple[bytes, ...]) -> str | None:
    """What is wrong with a file whose content is fixed, as the rest of a sentence; or None."""
    if root.status(name) is None:
        return "is missing"
    try:
        same = read_file_in(root, name, limit=_SMALL).data in contents
    except InputError as error:
        return f"cannot be used: {error.message}"
    return None if same else "was changed"


def _check_records_folder(records: Folder) -> Iterator[StoreItem]:
    for name in records.names():
        if split_record_name(name) is None:
            yield _stranger(f"{RECORDS}/{name}")


def _check_jobs_folder(root: Folder) -> Iterator[StoreItem]:
    for name, fault in check_rows(root):
        item = f"{JOBS}/{name}"
        if fault is None:
            yield _stranger(item)
        else:
            yield _fail(item, f"{fault}; 'benchimage job adopt DIR' makes it anew from the job.")


def _check_files_folder(
    place: Place, records: tuple[Record, ...], *, full: bool
) -> Iterator[StoreItem]:
    wanted = {read.file_sha256 for record in records for read in record.entry.reads}
    for name in place.files.names():
        item = f"{FILES}/{name}"
        if not is_digest(name):
            yield _stranger(item)
        elif name not in wanted:
            yield _unnamed_copy(place, name, item, full=full)


def _unnamed_copy(place: Place, name: str, item: str, *, full: bool) -> StoreItem:
    """A file that no record names: what a run leaves that was cut off before the record."""
    if full:
        try:
            place.read_copy(name)
        except StoreError as error:
            return _pass(item, f"No record names it, and it {_rest(error.message)}: left over.")
    return _pass(item, "No record names it: left over from an interrupted run; add it again.")


def _stranger(item: str) -> StoreItem:
    name = item.rpartition("/")[2]
    if name.startswith(UNFINISHED):
        return _pass(item, "Left over from an interrupted write; it may be deleted.")
    if name in OF_THE_SYSTEM:
        return _pass(item, "Put there by a file manager; it does no harm.")
    return _fail(item, "This does not belong to the store; find out who put it there.")


def _holds_image(read: BackupRead, data: bytes) -> bool:
    try:
        parsed = parse_as(data, read.options)
    except InputError:
        return False
    return parsed.image.sha256() == read.sha256


def _rest(message: str) -> str:
    """``the stored copy is empty`` as ``is empty``."""
    return message.removeprefix("the stored copy ")


def _pass(item: str, text: str) -> StoreItem:
    return StoreItem(id=item, result=Verdict.PASS, text=text)


def _fail(item: str, text: str) -> StoreItem:
    return StoreItem(id=item, result=Verdict.FAIL, text=text)
