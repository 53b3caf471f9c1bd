"""The backup store: write-once copies of every read, and the proof that one was verified.

Adding is idempotent: the same reads of the same chip and role are one backup, however
often they are added. Only `BackupStore.require_receipt` makes a `BackupReceipt`, after it
has read the stored copies back and hashed them again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from memtool.core.job.backup import Backup, BackupRead, BackupReceipt
from memtool.core.role import Role
from memtool.errors import InputError, JournalError, StoreError, UsageError
from memtool.formats.codec import ParsedImage, parse_as
from memtool.store.checking import StoreItem, find_differences, find_items
from memtool.store.keeping import keep_copy, keep_record
from memtool.store.mending import mend_place
from memtool.store.place import (
    FILES,
    Place,
    is_unused,
    lock_place,
    make_root,
    open_place,
    open_place_unmarked,
    prepare_place,
)
from memtool.store.records import Record, make_record
from memtool.store.store_journal import BACKUP_ADDED, note_record, note_set_aside

_LEAST_OF_ID = 4
_MAY_BE_SOUND = frozenset({"unreadable", "changed-while-read", "out-of-memory"})
"""Of a record: it may say that the very same reads are kept already."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NewRead(BackupRead):
    """A read that is to be backed up: what a backup notes of it, and the file's bytes."""

    data: bytes
    """Read once; its digest is `file_sha256`."""


class BackupStore:
    """A store, and perhaps a second one that gets a copy of everything.

    Nothing is opened or made until a method asks for it.
    """

    def __init__(self, folder: Path, *, also: Path | None = None) -> None:
        """Name the folders; an existing second store is never made with folders above it."""
        self.folder = folder
        self.also = also
        self._holding = False

    @property
    def folders(self) -> tuple[Path, ...]:
        """The store's folder, and that of its second copy, if there is one."""
        return (self.folder,) if self.also is None else (self.folder, self.also)

    @contextmanager
    def locked(self, *, to_write: bool = False) -> Iterator[None]:
        """Keep all other runs of benchimage from changing this store meanwhile.

        May be entered again inside.

        Args:
            to_write: False: a place that is read-only needs no lock and gets none.

        Raises:
            StoreError: it is held by another run for too long, or cannot be locked.
        """
        # A command holds the lock over several calls, each of which asks for it again.
        if self._holding:
            yield
            return
        with lock_place(self.folder, needed=to_write):
            self._holding = True
            try:
                yield
            finally:
                self._holding = False

    def add(
        self,
        reads: Sequence[NewRead],
        *,
        role: Role,
        chip: str,
        single_read_reason: str | None,
        added: str,
    ) -> Backup:
        """Keep the reads of one chip, durably; the same again gives the same entry.

        Args:
            reads: At least one.
            role: Which module it is.
            chip: Name of the memory.
            single_read_reason: Why there is one read only.
            added: ISO 8601 with zone.

        Raises:
            ValueError: no read was given.
            RefusalError: the folder is something else than a store.
            StoreError: not kept. Where the second store failed, the first has it.
        """
        if not reads:
            raise ValueError("a backup has at least one read")
        # Number 0: the real one is given under the lock, or two runs could take the same.
        wanted = make_record(
            0,
            role=role,
            chip=chip,
            reads=[_read_of(read) for read in reads],
            file_sizes=[len(read.data) for read in reads],
            single_read_reason=single_read_reason,
            added=added,
        )
        make_root(self.folder, parents=True)
        # Held over both, so that nobody sees one store ahead of the other.
        with self.locked(to_write=True):
            kept = _add_to(self.folder, reads, wanted, added)
            if self.also is not None:
                make_root(self.also, parents=False)
                with lock_place(self.also):
                    _add_to(self.also, reads, kept, added)
        return kept.entry

    def entries(self) -> tuple[Backup, ...]:
        """All whole backups, oldest first; none where there is no store yet.

        Raises:
            StoreError: the store cannot be opened.
        """
        return tuple(record.entry for record in self._records()[0])

    def damaged_records(self) -> tuple[StoreError, ...]:
        """What is wrong with the records that `entries` leaves out.

        Raises:
            StoreError: the store cannot be opened.
        """
        return self._records()[1]

    def entry(self, backup_id: str) -> Backup:
        """The backup of that id; its first digits do, where they fit one only.

        Raises:
            UsageError: there is none, or there are several.
            StoreError: its record is damaged, or of a newer version.
        """
        return self._record(backup_id).entry

    def read_file_of(self, entry: Backup, index: int) -> bytes:
        """The very file that was read, verified; from the second store if the first lost it.

        Args:
            entry: A backup of this store.
            index: Which of its reads, from 0.

        Raises:
            StoreError: no good copy is left.
        """
        digest = entry.reads[index].file_sha256
        try:
            with open_place(self.folder) as place:
                return place.read_copy(digest)
        except StoreError:
            if self.also is None:
                raise
            with open_place(self.also) as place:
                return place.read_copy(digest)

    def image_of(self, entry: Backup, index: int) -> ParsedImage:
        """The image in the stored copy, read as it was when it was added.

        Raises:
            StoreError: no good copy is left, or it does not hold the recorded image.
        """
        return _parse(entry.reads[index], self.read_file_of(entry, index), str(self.folder))

    def require_receipt(self, entry_id: str) -> BackupReceipt:
        """Read every stored copy of a backup back, hash and parse it.

        Only the store itself counts, not the second one.

        Raises:
            UsageError: there is no such backup.
            StoreError: a copy is missing or was changed.
        """
        with self.locked(), open_place(self.folder) as place:
            record = self._find_in(place, entry_id)
            digests: dict[tuple[object, ...], str] = {}
            for read, size in zip(record.entry.reads, record.file_sizes, strict=True):
                # Reads that agree are one file of the store, which is read once.
                known = (read.file_sha256, size, read.sha256, read.options)
                if known in digests:
                    continue
                data = place.read_copy(read.file_sha256, size)
                parsed = _parse(read, data, place.files.shown(read.file_sha256))
                digests[known] = parsed.image.sha256()
            return BackupReceipt(entry=record.entry, image_sha256=next(iter(digests.values())))

    def check(self, full: bool = True) -> tuple[StoreItem, ...]:
        """Check everything in the store, and that the second one holds the same.

        Args:
            full: Read and hash every byte; otherwise names, sizes, records and journal.

        Raises:
            StoreError: there is no store, it cannot be opened, or a newer version made it.
        """
        with self.locked(), open_place_unmarked(self.folder) as place:
            items = find_items(place, full=full)
            if self.also is None:
                return items
            with lock_place(self.also, needed=False), open_place_unmarked(self.also) as other:
                return (
                    *items,
                    *(item.in_second_store() for item in find_items(other, full=full)),
                    *find_differences(place, other),
                )

    def repair(self, *, time: str) -> tuple[str, ...]:
        """Rebuild what can be rebuilt; delete nothing. Returns a sentence for each thing done.

        Args:
            time: For the journal, ISO 8601 with zone.

        Raises:
            StoreError: there is no store, a newer version made it, or a write failed.
        """
        with (
            self.locked(to_write=True),
            open_place_unmarked(self.folder, make_parts=True) as place,
        ):
            if self.also is None:
                return mend_place(place, None, time=time)
            make_root(self.also, parents=False)
            with lock_place(self.also):
                if is_unused(self.also):
                    prepare_place(self.also)
                with open_place_unmarked(self.also, make_parts=True) as other:
                    return (
                        *mend_place(place, other, time=time),
                        *(f"Second store: {text}" for text in mend_place(other, place, time=time)),
                    )

    def _records(self) -> tuple[tuple[Record, ...], tuple[StoreError, ...]]:
        try:
            with open_place(self.folder) as place:
                return place.read_records()
        except StoreError as error:
            if error.code == "no-store":
                return (), ()
            raise

    def _record(self, backup_id: str) -> Record:
        with open_place(self.folder) as place:
            return self._find_in(place, backup_id)

    def _find_in(self, place: Place, backup_id: str) -> Record:
        asked = backup_id.lower()
        good, bad = place.read_records()
        found = [record for record in good if record.sha256.startswith(asked)]
        if len(asked) >= _LEAST_OF_ID and len(found) == 1:
            return found[0]
        for error in bad:
            if len(asked) >= _LEAST_OF_ID and f"-{asked}" in (error.file or ""):
                raise error
        raise UsageError(
            f"the store has {'several backups' if found else 'no backup'} of that id",
            code="no-such-backup",
            next_step="see 'benchimage backup list'",
            file=str(self.folder),
        )


def _add_to(folder: Path, reads: Sequence[NewRead], wanted: Record, time: str) -> Record:
    """Keep copies, record and line in one store, in this order; the caller holds its lock."""
    prepare_place(folder)
    with open_place(folder) as place:
        # Under the lock, so that nobody adds the same reads meanwhile.
        records, bad = place.read_records()
        for error in bad:
            if error.code in _MAY_BE_SOUND:
                raise error
        known = next((record for record in records if record.content == wanted.content), None)
        replaced: dict[str, str] = {}
        for read in reads:
            set_aside = keep_copy(place, read.file_sha256, read.data)
            if set_aside is not None:
                replaced[f"{FILES}/{read.file_sha256}"] = set_aside
        # The second store gets the number that the first one gave.
        record = known or (wanted if wanted.number else wanted.numbered(place.next_number()))
        keep_record(place, record)
        try:
            for item, new_name in replaced.items():
                note_set_aside(place.root, item, new_name, time=time)
            # Last: a line for a record that is not there would read as a loss.
            note_record(place.root, record, kind=BACKUP_ADDED, time=time)
        except JournalError as error:
            raise StoreError(
                f"backup {record.entry.id} is kept, but the store's journal is damaged"
                f" ({error.message})",
                code="store-damaged",
                next_step="see 'benchimage backup check'",
                file=error.file,
                line=error.line,
            ) from error
        return record


def _read_of(read: NewRead) -> BackupRead:
    return BackupRead(
        name=read.name,
        file_sha256=read.file_sha256,
        sha256=read.sha256,
        size=read.size,
        options=read.options,
    )


def _parse(read: BackupRead, data: bytes, shown: str) -> ParsedImage:
    try:
        parsed = parse_as(data, read.options)
    except InputError as error:
        raise StoreError(
            f"the stored copy cannot be read as {read.format}: {error.message}",
            code="copy-not-understood",
            next_step="the copy is as it was kept; restore it and look at it with"
            " 'benchimage inspect'",
            file=shown,
        ) from error
    if parsed.image.sha256() != read.sha256:
        raise StoreError(
            "the stored copy does not hold the image that its record names",
            code="image-changed",
            next_step="add the read again",
            file=shown,
        )
    return parsed
