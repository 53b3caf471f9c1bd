"""Rebuilds what can be rebuilt in a store: never by guessing, and nothing is deleted.

Marker and README have a fixed content. The journal's lines follow from the records. A
record or a copy comes back from the second store, if that has a good one. What is damaged
is set aside first.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress

from memtool.errors import JournalError, StoreError
from memtool.store.checking import find_fault_of_fixed, find_faults_of_copy
from memtool.store.folder import Folder
from memtool.store.keeping import keep_copy, keep_record
from memtool.store.place import (
    FILES,
    JOURNAL,
    RECORDS,
    Place,
)
from memtool.store.records import Record
from memtool.store.shape import FIXED, JOBS
from memtool.store.store_journal import (
    RECORD_FOUND,
    find_named_records,
    note_record,
    note_set_aside,
    read_store_journal,
)
from memtool.store.writing import write_new_in


def mend_place(place: Place, other: Place | None, *, time: str) -> tuple[str, ...]:
    """Mend `place`, from `other` where that helps; a sentence for each thing done.

    The caller holds the locks of both.

    Raises:
        StoreError: a write failed.
    """
    aside: list[tuple[str, str]] = []
    # In this order: what records name comes back before copies are looked at, and the journal tells
    # last of all that was set aside on the way.
    done = [
        *_mend_fixed(place, aside),
        *_mend_records(place, other, aside),
        *_mend_copies(place, other, aside),
        *_mend_journal(place, aside, time),
    ]
    return tuple(done)


def _mend_fixed(place: Place, aside: list[tuple[str, str]]) -> Iterator[str]:
    for name, contents in FIXED.items():
        fault = find_fault_of_fixed(place.root, name, contents)
        if fault is not None:
            _set_aside(place, place.root, name, name, aside)
            # A marker of today's version says that this folder is there.
            place.root.make(JOBS)
            write_new_in(place.root, name, contents[0], read_only=True)
            yield f"{name} {fault}; it was written anew."


def _mend_records(place: Place, other: Place | None, aside: list[tuple[str, str]]) -> Iterator[str]:
    if other is None:
        return
    have = {record.content for record in place.read_records()[0]}
    # By content and not by name: the same backup has another number in the other store.
    for record in other.read_records()[0]:
        if record.content in have:
            continue
        # Copies first, the record after them: a record counts as a backup as soon as it is there.
        copies = _good_copies(record, place, other)
        if copies is None:
            continue
        for digest, data in copies.items():
            _restore_copy(place, digest, data, aside)
        if place.records.status(record.name) is not None:
            _set_aside(place, place.records, record.name, f"{RECORDS}/{record.name}", aside)
        keep_record(place, record)
        yield f"Backup {record.entry.id} was missing or damaged; it came back from the other store."


def _mend_copies(place: Place, other: Place | None, aside: list[tuple[str, str]]) -> Iterator[str]:
    if other is None:
        return
    for record in place.read_records()[0]:
        for read, size in zip(record.entry.reads, record.file_sizes, strict=True):
            if not any(find_faults_of_copy(place, read, size, full=True)):
                continue
            try:
                data = other.read_copy(read.file_sha256)
            except StoreError:
                continue
            _restore_copy(place, read.file_sha256, data, aside)
            yield (
                f"Backup {record.entry.id}: a copy was missing or damaged;"
                " it came back from the other store."
            )


def _mend_journal(place: Place, aside: list[tuple[str, str]], time: str) -> Iterator[str]:
    try:
        state = read_store_journal(place.root)
    except JournalError as error:
        # Out of the way, so that reading again finds none and gives an empty state.
        _set_aside(place, place.root, JOURNAL, JOURNAL, aside)
        state = read_store_journal(place.root)
        yield f"The journal was damaged ({error.message}); it was begun anew from the records."
    if state.torn is not None:
        yield f"The journal's line {state.torn.line} had no end; a new line keeps what was left."
    for item, new_name in aside:
        note_set_aside(place.root, item, new_name, time=time)
    named = find_named_records(state)
    for record in place.read_records()[0]:
        if record.name not in named:
            yield f"Backup {record.entry.id} had no line in the journal; it has one now."
        # Adds nothing for a record that has its line.
        note_record(place.root, record, kind=RECORD_FOUND, time=time)


def _good_copies(record: Record, *places: Place) -> dict[str, bytes] | None:
    """All files of a backup, from whichever store has a good one; None if one is lost."""
    found: dict[str, bytes] = {}
    for read, size in zip(record.entry.reads, record.file_sizes, strict=True):
        for place in places:
            with suppress(StoreError):
                found[read.file_sha256] = place.read_copy(read.file_sha256, size)
                break
        else:
            # No `break`: neither store had this file.
            return None
    return found


def _restore_copy(place: Place, digest: str, data: bytes, aside: list[tuple[str, str]]) -> None:
    try:
        place.read_copy(digest)
        return
    except StoreError as error:
        if error.code != "copy-missing":
            _set_aside(place, place.files, digest, f"{FILES}/{digest}", aside)
    keep_copy(place, digest, data)


def _set_aside(
    place: Place, folder: Folder, name: str, item: str, aside: list[tuple[str, str]]
) -> None:
    if folder.status(name) is not None:
        aside.append((item, place.set_aside(folder, name)))
