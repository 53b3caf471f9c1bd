"""Backups that go from one store to another, and the files of a folder, for an archive."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from memtool.errors import StoreError
from memtool.store.keeping import keep_copy, keep_record
from memtool.store.place import lock_place, make_root, open_place, prepare_place
from memtool.store.reading import read_file
from memtool.store.store_journal import BACKUP_ADDED, note_record


def copy_backups(source: Path, target: Path, ids: Sequence[str], *, time: str) -> tuple[str, ...]:
    """Copy the backups of these ids that `target` lacks, each copy verified on the way.

    They keep their ids, so that a job that names them finds them there.

    Args:
        source: A store.
        target: A store, or the folder that becomes one.
        ids: Whole ids.
        time: For the journal of `target`, ISO 8601 with zone.

    Returns:
        The ids that were copied.

    Raises:
        StoreError: `source` is no store or lacks one, or `target` cannot be written.
        RefusalError: `target` is something else than a store.
    """
    make_root(target, parents=True)
    with lock_place(target):
        prepare_place(target)
        with open_place(target) as to:
            known = {record.entry.id for record in to.read_records()[0]}
            wanted = [each for each in dict.fromkeys(ids) if each not in known]
            if not wanted:
                return ()
            with open_place(source) as place:
                records = {record.entry.id: record for record in place.read_records()[0]}
                for backup_id in wanted:
                    if backup_id not in records:
                        raise StoreError(
                            f"backup {backup_id} is not in this store",
                            code="no-such-backup",
                            next_step="name the store that has it with --store",
                            file=str(source),
                        )
                    record = records[backup_id]
                    for read, size in zip(record.entry.reads, record.file_sizes, strict=True):
                        data = place.read_copy(read.file_sha256, size)
                        keep_copy(to, read.file_sha256, data)
                    keep_record(to, record)
                    note_record(to.root, record, kind=BACKUP_ADDED, time=time)
            return tuple(wanted)


def read_tree(folder: Path) -> dict[str, bytes]:
    """Every file below a folder by its path relative to it, sorted; links are left out.

    Raises:
        InputError: a file cannot be read.
    """
    found = {
        path.relative_to(folder).as_posix(): path
        for path in folder.rglob("*")
        if path.is_file() and not path.is_symlink()
    }
    return {name: read_file(path).data for name, path in sorted(found.items())}
