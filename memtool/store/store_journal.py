"""The store's own journal: one line for each backup, so that a lost record is noticed.

A record without a line is whole and counts; its line is missing because a run was cut off
in between, or because the journal was cut. A line without a record means that the record
was taken away.
"""

from __future__ import annotations

from memtool.store.folder import Folder
from memtool.store.journal import JournalFile, JournalState, append_entry_in, parse_journal
from memtool.store.place import FILES, JOURNAL, RECORDS, read_own, sync_kept
from memtool.store.records import Record, split_record_name

BACKUP_ADDED = "backup-added"
RECORD_FOUND = "record-found"
"""A record that was there without a line, or that came back from the second store."""
ITEM_SET_ASIDE = "item-set-aside"
"""A damaged item was moved away to make room for a good copy."""


def read_store_journal(root: Folder) -> JournalState:
    """The store's journal, verified; without a line where there is none yet.

    Raises:
        JournalError: it is broken; names the first bad line.
        StoreError: it cannot be read.
    """
    if root.status(JOURNAL) is None:
        return JournalState(entries=(), torn=None)
    return parse_journal(read_own(root, JOURNAL))


def find_named_records(state: JournalState) -> tuple[str, ...]:
    """The names of all records that the journal speaks of, in its order."""
    names = (entry.facts.get("record") for entry in state.entries)
    return tuple(
        dict.fromkeys(name for name in names if isinstance(name, str) and split_record_name(name))
    )


def note_record(root: Folder, record: Record, *, kind: str, time: str) -> None:
    """Add the record's line, if there is none, and make the journal durable in any case.

    Raises:
        JournalError: the journal is broken; nothing was added.
        StoreError: not written.
    """
    state = read_store_journal(root)
    if record.name in find_named_records(state) and state.torn is None:
        sync_kept(root, JOURNAL)
        return
    entry = record.entry
    kept = [JournalFile(path=f"{RECORDS}/{record.name}", sha256=record.sha256)]
    digests = dict.fromkeys(read.file_sha256 for read in entry.reads)
    kept += [JournalFile(path=f"{FILES}/{digest}", sha256=digest) for digest in digests]
    append_entry_in(
        root,
        JOURNAL,
        kind=kind,
        facts={
            "id": entry.id,
            "role": entry.role.value,
            "chip": entry.chip,
            "record": record.name,
        },
        files=kept,
        time=time,
    )


def note_set_aside(root: Folder, what: str, new_name: str, *, time: str) -> None:
    """Add a line that a damaged item was moved."""
    append_entry_in(
        root, JOURNAL, kind=ITEM_SET_ASIDE, facts={"item": what, "now": new_name}, time=time
    )
