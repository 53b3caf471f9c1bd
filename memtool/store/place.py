"""The folder of one store: what lies where, how it is made, opened and read.

::

    README.txt             how to understand and empty the store by hand
    store.json             what this folder is, with the version of its shape
    lock                   empty; held by the run that is at work
    files/<sha256>         the files that were read, each named by its own SHA-256
    records/<n>-<sha256>.json   one record a backup: role, chip, reads
    journal.jsonl          a line for each backup, chained (`memtool.store.journal`)
    jobs/<id>.json         where each job is, and how far (`memtool.store.register`)
    set-aside/             damaged items that were replaced; nothing is ever deleted

A backup counts once its record is there and whole; the record is written after all files
that it names are durable, and the journal's line after the record. So a crash leaves
either a backup, or files that nobody names, never a backup without its files.
"""

from __future__ import annotations

import os
import secrets
import stat
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from memtool.errors import InputError, MemtoolError, RefusalError, StoreError, UsageError
from memtool.store.folder import Folder, close_quietly, make_folders, open_folder
from memtool.store.locking import hold_lock
from memtool.store.reading import FileContent, read_file_in
from memtool.store.records import Record, parse_record, split_record_name
from memtool.store.shape import (
    JOBS,
    MARKER,
    MARKER_DATA,
    README,
    README_DATA,
    STORE_VERSION,
    upgrade_shape,
    version_of_marker,
)
from memtool.store.writing import UNFINISHED, write_new_in

LOCK, JOURNAL = "lock", "journal.jsonl"
FILES, RECORDS, SET_ASIDE = "files", "records", "set-aside"

# A kept file may be larger than what `read_file` takes today: what was kept once must be
# readable for good. Records and journals are far smaller, whatever a forger makes of them.
_LIMIT = 512 * 1024 * 1024
_SMALL = 64 * 1024 * 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """An open store."""

    root: Folder
    files: Folder
    records: Folder

    def read_records(self) -> tuple[tuple[Record, ...], tuple[StoreError, ...]]:
        """All whole records by number, and what is wrong with the others."""
        good: list[Record] = []
        bad: list[StoreError] = []
        # What has no name of a record is left to `check`, which tells of it.
        for name in self.records.names():
            if split_record_name(name) is None:
                continue
            try:
                good.append(self.read_record(name))
            except StoreError as error:
                bad.append(error)
        return tuple(sorted(good, key=lambda record: (record.number, record.name))), tuple(bad)

    def read_record(self, name: str) -> Record:
        """One record.

        Raises:
            StoreError: it is not there, was changed, or is of another version.
        """
        shown = self.records.shown(name)
        return parse_record(name, read_own(self.records, name).data, shown=shown)

    def next_number(self) -> int:
        """The number of the next record: above all names, of damaged records too."""
        # By names alone: the number of a record that cannot be read must not be given again.
        parts = [split_record_name(name) for name in self.records.names()]
        return max((part[0] for part in parts if part), default=0) + 1

    def read_copy(self, digest: str, size: int | None = None) -> bytes:
        """A kept file, read back and hashed.

        Args:
            digest: Its SHA-256, which is its name.
            size: Its recorded length, to say more exactly what is wrong.

        Raises:
            StoreError: it is missing (``copy-missing``), not readable, or not what was
                kept (``copy-changed``).
        """
        shown = self.files.shown(digest)
        try:
            content = read_file_in(self.files, digest, limit=_LIMIT)
        # These errors tell a person about an input file of theirs; this file is the store's.
        except UsageError as error:
            raise StoreError(
                "the stored copy is missing",
                code="copy-missing",
                next_step=_GET_BACK,
                file=shown,
            ) from error
        except InputError as error:
            raise _not_read(error) from error
        if content.sha256 != digest:
            raise StoreError(
                f"the stored copy {describe_change(len(content.data), size)}",
                code="copy-changed",
                next_step=_GET_BACK,
                file=shown,
            )
        return content.data

    def set_aside(self, folder: Folder, name: str) -> str:
        """Move a damaged item out of the way; returns its new name in `SET_ASIDE`."""
        self.root.make(SET_ASIDE)
        with self.root.folder(SET_ASIDE) as aside:
            # A random part, since the same item may be damaged, mended and damaged again.
            new = f"{secrets.token_hex(4)}-{name}"
            # The new name is durable before the old one is gone for good: a power loss
            # leaves the item under two names, never under none.
            folder.move(name, aside, new)
            aside.sync()
        folder.sync()
        return new


_GET_BACK = "get it back with 'benchimage backup check --repair --also DIR', or add the read again"


@contextmanager
def open_place(path: Path) -> Iterator[Place]:
    """Open a store that exists.

    Raises:
        StoreError: there is none (``no-store``), it is damaged, a link lies in its place,
            or a newer version made it (``newer-version``).
    """
    with ExitStack() as stack:
        # The stack closes in reverse: first the parts, the root last.
        root = stack.enter_context(_open_root(path))
        stack.enter_context(_explaining(root))
        _require_marker(root)
        yield _open_parts(root, stack)


@contextmanager
def open_place_unmarked(path: Path, *, make_parts: bool = False) -> Iterator[Place]:
    """As `open_place`, for checking and mending: the marker may be missing or damaged.

    Args:
        path: Of the store.
        make_parts: Make folders of the store that are missing.
    """
    with ExitStack() as stack:
        root = stack.enter_context(_open_root(path))
        stack.enter_context(_explaining(root))
        try:
            _require_marker(root)
        except StoreError as error:
            # Mending a newer store by today's rules would damage it.
            # Without marker and without parts it is just some folder.
            if error.code == "newer-version" or not _has_parts(root):
                raise
        if make_parts:
            for name in (FILES, RECORDS):
                root.make(name)
        yield _open_parts(root, stack)


@contextmanager
def lock_place(path: Path, *, needed: bool = True) -> Iterator[None]:
    """Hold the lock of a store; `needed` as in `memtool.store.locking`.

    Raises:
        StoreError: there is no such folder, a link lies in its place, or it is held by
            another run for too long.
    """
    # The lock's library would make the folder.
    _open_root(path).close()
    with hold_lock(path / LOCK, needed=needed):
        yield


def is_unused(path: Path) -> bool:
    """Whether nothing of a store is in a folder yet."""
    with _open_root(path) as root:
        return root.status(MARKER) is None and not _has_parts(root)


def make_root(path: Path, *, parents: bool) -> None:
    """Make the store's own folder, durably, if it is not there.

    Args:
        path: Of the store.
        parents: Also make the folders above it. Not for a second store: where a stick is
            not plugged in, a folder in its place would look like one.

    Raises:
        StoreError: the folder above is missing, or it cannot be made.
    """
    if not parents and not os.path.lexists(path) and not os.path.lexists(path.parent):
        raise StoreError(
            "the place of the second store is not there",
            code="no-store",
            next_step="plug it in, or make its folder first",
            file=str(path.parent),
        )
    try:
        make_folders(path)
    except OSError as error:
        raise StoreError(
            f"the store's folder cannot be made: {error.strerror}",
            code="write-failed",
            next_step="name another place with --store",
            file=str(path),
        ) from error


def prepare_place(path: Path) -> None:
    """Make what a store consists of in its folder, which exists; the caller holds the lock.

    A store of version 1 becomes one of version 2.

    Raises:
        RefusalError: the folder is no store and not empty (``not-a-store``).
        StoreError: it cannot be written, is damaged, or a newer version made it.
    """
    with _open_root(path) as root, _explaining(root):
        # An empty marker of a killed beginning; beside backups it would be damage, and is told.
        if not _has_parts(root):
            remove_placeholder(root, MARKER)
        if root.status(MARKER) is None:
            _require_no_foreign(root)
            for name in (FILES, RECORDS, JOBS):
                root.make(name)
            # A killed beginning may have left an empty one, see `memtool.store.writing`.
            remove_placeholder(root, README)
            if root.status(README) is None:
                write_new_in(root, README, README_DATA, read_only=True)
            # Last, since it says that all the rest is there.
            write_new_in(root, MARKER, MARKER_DATA, read_only=True)
        if _require_marker(root) < STORE_VERSION:
            upgrade_shape(root)


def sync_kept(folder: Folder, name: str) -> None:
    """Make a file durable that another run may have left without doing so.

    Raises:
        StoreError: the system could not.
    """
    try:
        # Windows makes no file durable that was opened for reading alone.
        if folder.descriptor is not None:
            descriptor = folder.open(name, os.O_RDONLY)
            try:
                os.fsync(descriptor)
            finally:
                close_quietly(descriptor)
        folder.sync()
    except OSError as error:
        raise StoreError(
            f"the file is there, but it may not survive a power loss ({error.strerror})",
            code="may-not-survive-power-loss",
            next_step="check the medium, then try again",
            file=folder.shown(name),
        ) from error


def remove_placeholder(folder: Folder, name: str) -> None:
    """Take an empty file away that a killed run left; see `memtool.store.writing`."""
    status = folder.status(name)
    # The status is of the name itself: a link to an empty file is left alone.
    if status is not None and stat.S_ISREG(status.st_mode) and status.st_size == 0:
        folder.remove(name)


def _require_no_foreign(root: Folder) -> None:
    """A folder that is to become a store holds nothing but what a killed beginning left."""
    # In lower case: a medium may give names back in another case than they were made in.
    own = {LOCK, README.lower(), FILES, RECORDS, JOBS}
    foreign = {name for name in root.names() if name.lower() not in own}
    # A journal or a record in it means a store that lost its marker, which is mended and not begun.
    if _has_parts(root) or any(not name.startswith(UNFINISHED) for name in foreign):
        raise RefusalError(
            "this folder is not empty and not a backup store",
            code="not-a-store",
            next_step="name a new folder with --store; or, if it was a store, repair it with "
            "'benchimage backup check --repair'",
            file=str(root.path),
        )


def _open_root(path: Path) -> Folder:
    try:
        return open_folder(path, follow=False)
    except FileNotFoundError as error:
        raise StoreError(
            "there is no backup store here",
            code="no-store",
            next_step="name it with --store, or begin one with 'benchimage backup add'",
            file=str(path),
        ) from error
    except OSError as error:
        raise StoreError(
            f"the store cannot be opened: {_why(error, path)}",
            code="cannot-open-store",
            next_step="name the folder itself with --store",
            file=str(path),
        ) from error


def _open_parts(root: Folder, stack: ExitStack) -> Place:
    opened = []
    for name in (FILES, RECORDS):
        try:
            opened.append(stack.enter_context(root.folder(name)))
        except OSError as error:
            raise StoreError(
                f"this part of the store cannot be opened: {_why(error, root.path / name)}",
                code="store-damaged",
                next_step="nothing was read through it; put the folder back in its place",
                file=root.shown(name),
            ) from error
    return Place(root=root, files=opened[0], records=opened[1])


def _has_parts(root: Folder) -> bool:
    """Whether anything of a store is in the folder, beyond what a killed beginning leaves."""
    if root.status(JOURNAL) is not None:
        return True
    for name in (FILES, RECORDS):
        if root.status(name) is not None:
            with root.folder(name) as inside:
                if inside.names():
                    return True
    return False


def _require_marker(root: Folder) -> int:
    """The store's version."""
    shown = root.shown(MARKER)
    if root.status(MARKER) is None:
        raise StoreError(
            "there is no backup store here: its marker is missing",
            code="no-marker" if _has_parts(root) else "no-store",
            next_step="name the store with --store, or repair it with 'benchimage backup check "
            "--repair'",
            file=shown,
        )
    version = version_of_marker(read_own(root, MARKER).data)
    if version is not None and version <= STORE_VERSION:
        return version
    if version is not None:
        raise StoreError(
            f"the store was made by a newer benchimage: its version is"
            f" {version}, and this one knows {STORE_VERSION}",
            code="newer-version",
            next_step="update benchimage",
            file=shown,
        )
    raise StoreError(
        "the store's marker was changed",
        code="store-damaged",
        next_step="repair it with 'benchimage backup check --repair'",
        file=shown,
    )


def read_own(folder: Folder, name: str) -> FileContent:
    """Read a small file of the store: record, journal or marker.

    Raises:
        StoreError: missing, not readable, or a link.
    """
    try:
        return read_file_in(folder, name, limit=_SMALL)
    except (UsageError, InputError) as error:
        raise _not_read(error) from error


def _not_read(error: MemtoolError) -> StoreError:
    """An input's error, told as the store's."""
    return StoreError(error.message, code=error.code, next_step=error.next_step, file=error.file)


def describe_change(length: int, size: int | None) -> str:
    """In which way a copy is not what was kept; `size` is the recorded length, if known."""
    if length == 0:
        return "is empty"
    if size is None:
        return "was changed: its digest does not match"
    if length == size:
        return "was changed: its length is right, its bytes are not"
    if length < size:
        return f"is cut short: {length:,} of {size:,} bytes are there"
    return f"is too long: {length:,} bytes instead of {size:,}"


def _why(error: OSError, path: Path) -> str:
    if os.path.islink(path):  # noqa: PTH114 - this one never raises
        return "a symbolic link is in its place"
    return error.strerror or str(error)


@contextmanager
def _explaining(root: Folder) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise StoreError(
            f"the store cannot be used: {error.strerror}",
            code="store-failed",
            next_step="check the medium and its permissions",
            file=str(root.path),
        ) from error
