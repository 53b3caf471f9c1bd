"""Puts files and records into an open store; the caller holds the lock.

What is there already is compared byte for byte and made durable again, since the run that
wrote it may have been cut off before it was. A damaged copy is set aside, never deleted.
"""

from __future__ import annotations

from memtool.errors import StoreError
from memtool.store.place import Place, remove_placeholder, sync_kept
from memtool.store.reading import compute_sha256
from memtool.store.records import Record
from memtool.store.writing import write_new_in


def keep_copy(place: Place, digest: str, data: bytes) -> str | None:
    """Keep a file under its digest.

    Returns:
        None, or the new name of a damaged copy that was set aside for it.

    Raises:
        StoreError: `data` is not what `digest` says, a link lies in its place, or it could
            not be written.
    """
    if compute_sha256(data) != digest:
        raise StoreError(
            "the bytes changed in memory since they were read",
            code="verify-failed",
            next_step="nothing was kept; do not trust the memory of this machine",
            file=place.files.shown(digest),
        )
    remove_placeholder(place.files, digest)
    set_aside = None
    if place.files.status(digest) is not None:
        try:
            place.read_copy(digest)
        except StoreError as error:
            if error.code != "copy-changed":
                raise
            set_aside = place.set_aside(place.files, digest)
        else:
            sync_kept(place.files, digest)
            return None
    write_new_in(place.files, digest, data, read_only=True)
    return set_aside


def keep_record(place: Place, record: Record) -> None:
    """Keep a record under its name.

    Raises:
        StoreError: something else is in its place, or it could not be written.
    """
    remove_placeholder(place.records, record.name)
    if place.records.status(record.name) is None:
        write_new_in(place.records, record.name, record.data, read_only=True)
        return
    # Its name holds its digest: whole under this name, it is the same record.
    place.read_record(record.name)
    sync_kept(place.records, record.name)
