"""Writes files that do not exist yet, so that they are wholly there or not there at all.

The order of calls, and why:

1. The digest is made from the bytes first, before any of them is handed to the system:
   what a fault changes in memory later can then not be mistaken for the truth.
2. The bytes go into a file without a name (or under a random name that is never opened
   again), so that a crash leaves no half file under the name that people look for.
3. ``fsync``: the bytes are on the medium. A failure is final; it is never retried, since
   a second ``fsync`` can succeed although the bytes were lost.
4. The bytes are read back and compared with the digest of step 1.
5. The name is linked to the file. A link never takes the place of an existing name, and
   no other program can slip in between asking and writing.
6. ``fsync`` of the folder: the name is on the medium as well.

Where a file system has no links (FAT, exFAT), step 5 is: make the final name as an empty
file, which must be new, and rename the finished file over it. A kill between the two
leaves an empty file, never a part of one. On Windows step 5 is a rename, which refuses an
existing name there.
"""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from memtool.errors import RefusalError, StoreError, UsageError
from memtool.lazy import hashlib, secrets, shutil
from memtool.store.folder import OWN_FILE, Folder, close_quietly, make_folders, open_folder
from memtool.store.reading import compute_sha256, read_file

UNFINISHED = ".unfinished-"
"""How names of files in the making begin; 32 random hex digits follow."""

_PART = 1024 * 1024
_OWN_AND_READ_ONLY = 0o400
_NEW = os.O_RDWR | os.O_CREAT | os.O_EXCL
_NOT_OFFERED = frozenset(
    {
        # EISDIR: a kernel that knows no O_TMPFILE opens the folder itself. ENOENT: no /proc here.
        *(errno.EPERM, errno.EOPNOTSUPP, errno.ENOTSUP, errno.ENOSYS, errno.EINVAL),
        *(errno.EXDEV, errno.EMLINK, errno.EISDIR, errno.ENOENT),
    }
)
"""What file systems answer that have no nameless files, or no links, or no /proc beside."""
_FULL = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
_REASONS = {
    errno.EROFS: ("read-only", "the medium is read-only"),
    errno.EACCES: ("no-permission", "this user may not write there"),
    errno.EPERM: ("no-permission", "the system does not allow it"),
}


class _NotOfferedError(Exception):
    """This way of publishing is not offered by the file system; try the next."""


class _Draft:
    """The bytes on their way to a name."""

    def __init__(
        self,
        data: bytes,
        *,
        read_only: bool,
        before_publish: Callable[[], None] | None,
        sha256: str | None = None,
    ) -> None:
        self.sha256 = sha256 or compute_sha256(data)
        self.data = data
        self.read_only = read_only
        self._before_publish = before_publish

    def fill(self, descriptor: int) -> None:
        """Write, make durable, read back, compare."""
        # The order is that of the module's text. Read-only comes last: nothing is written after it.
        _write_all(descriptor, self.data)
        os.fsync(descriptor)
        _require_written(descriptor, 0, len(self.data), self.sha256)
        if self.read_only and hasattr(os, "fchmod"):
            # Some file systems keep no modes; the mode is a courtesy, not a guard.
            with suppress(PermissionError, NotImplementedError):
                os.fchmod(descriptor, _OWN_AND_READ_ONLY)

    def ask(self) -> None:
        """The caller's last word before the name appears."""
        if self._before_publish is not None:
            self._before_publish()


_STORE_MARKS = ("store.json", "records")
"""What every backup store has in its folder, see `memtool.store.place`."""


def write_new(
    path: Path,
    data: bytes,
    *,
    read_only: bool = False,
    before_publish: Callable[[], None] | None = None,
    sha256: str | None = None,
) -> str:
    """Write a file that does not exist yet; on return it is durable and was read back.

    Args:
        path: Its folder must exist; anything of that name, a dangling link too, is kept.
        data: The whole content.
        read_only: Take away the permission to write, where the file system has modes.
        before_publish: Called when the bytes are on the medium, just before the name
            appears; what it raises ends the write and nothing is left.
        sha256: Of `data`, where the caller has it; what is read back must have it, or nothing
            is left.

    Returns:
        The SHA-256 of `data`, as 64 lower-case hex digits.

    Raises:
        UsageError: the folder does not exist (``no-such-folder``), or the path is no file name.
        RefusalError: the path exists (``output-exists``), or lies inside a backup store
            (``inside-store``): a foreign file there reads as damage.
        StoreError: not written (``disk-full``, ``read-only``, ``no-permission``,
            ``write-failed``, ``verify-failed``), or written but not known to be durable
            (``may-not-survive-power-loss``).
    """
    if path.name in ("", "..") or "\0" in str(path):
        raise UsageError("this is not a file name", code="not-a-file-name", file=str(path))
    require_outside_stores(path)
    try:
        folder = open_folder(path.parent)
    except (FileNotFoundError, NotADirectoryError) as error:
        raise UsageError(
            "the folder does not exist",
            code="no-such-folder",
            next_step="make it first, or name another place",
            file=str(path.parent),
        ) from error
    except OSError as error:
        raise _write_error(error, str(path), len(data)) from error
    with folder:
        return write_new_in(
            folder,
            path.name,
            data,
            read_only=read_only,
            before_publish=before_publish,
            sha256=sha256,
        )


def require_outside_stores(path: Path) -> None:
    """Refuse a path inside a backup store; a store is told by the files that each has.

    Raises:
        RefusalError: the path lies in a store (``inside-store``).
    """
    try:
        folder = path.parent.resolve()
    except OSError:
        return  # Opening the folder says why.
    for place in (folder, *folder.parents):
        if all(os.path.lexists(place / mark) for mark in _STORE_MARKS):
            raise RefusalError(
                "this place is inside a backup store, where only backups belong",
                code="inside-store",
                next_step="name a place outside it",
                file=str(path),
            )


def write_new_in(
    folder: Folder,
    name: str,
    data: bytes,
    *,
    read_only: bool = False,
    before_publish: Callable[[], None] | None = None,
    sha256: str | None = None,
) -> str:
    """As `write_new`, for a name in an open folder."""
    shown = folder.shown(name)
    draft = _Draft(data, read_only=read_only, before_publish=before_publish, sha256=sha256)
    with explaining(shown, len(data)):
        # Only an early answer. What keeps an existing file safe is the publishing itself.
        if folder.status(name) is not None:
            raise _exists(shown)
        try:
            _publish(folder, name, draft)
        except FileExistsError as error:
            raise _exists(shown) from error
    try:
        folder.sync()
    except OSError as error:
        raise StoreError(
            "the file is written, but it may not survive a power loss:"
            f" its folder could not be made durable ({error.strerror})",
            code="may-not-survive-power-loss",
            next_step="check the medium and compare the file before you rely on it",
            file=shown,
        ) from error
    return draft.sha256


def remove_own(path: Path, sha256: str) -> None:
    """Take away a file that this run has just written, if it still is what was written.

    Raises:
        StoreError: it cannot be removed.
        MemtoolError: it cannot be read.
    """
    # Someone else's by now, or changed: not ours to remove.
    if read_file(path).sha256 != sha256:
        return
    with explaining(str(path), 0), open_folder(path.parent) as folder:
        folder.remove(path.name)
        folder.sync()


def replace_in(folder: Folder, name: str, data: bytes, *, read_only: bool = False) -> None:
    """Put `data` in place of a file of the store's own, durably: the old content or the new.

    Never for an image, a backup or a journal; the caller holds a lock.

    Raises:
        StoreError: not written; the old content is still there.
    """
    with explaining(folder.shown(name), len(data)):
        with _random_file(folder) as (descriptor, random_name):
            # The bytes are durable before the name leads to them; the other way round a power loss
            # could leave the name with an empty file.
            _Draft(data, read_only=read_only, before_publish=None).fill(descriptor)
        try:
            folder.replace(random_name, name)
        except BaseException:
            with suppress(OSError):
                folder.remove(random_name)
            raise
        folder.sync()


def make_folder(path: Path) -> None:
    """Make a folder and those above it, durably; one that exists stays as it is.

    Raises:
        StoreError: it cannot be made.
    """
    with explaining(str(path), 0):
        make_folders(path)
        if not path.is_dir():
            raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(path))


def append_line(
    folder: Folder, name: str, line: bytes, *, size: int, keep: int | None = None
) -> None:
    """Add a line to a file that ends where the caller believes; durable on return.

    The caller holds the lock. A failure takes a part of the line away again where the
    system still allows it; what remains is a last line without its end.

    Args:
        line: With its line end.
        size: Length of the file that the caller has read, in bytes.
        keep: How many of these stay; fewer where an unfinished line is to be replaced.

    Raises:
        StoreError: the file is not that long any more, or the line was not written.
    """
    shown = folder.shown(name)
    keep = size if keep is None else keep
    digest = compute_sha256(line)
    with explaining(shown, len(line)):
        descriptor = folder.open(name, os.O_RDWR | os.O_APPEND)
        try:
            # The chain was verified up to here: behind anything else the line would be wrong.
            if os.fstat(descriptor).st_size != size:
                raise StoreError(
                    "the file changed since it was read",
                    code="changed-meanwhile",
                    next_step="let no other program write to it, then try again",
                    file=shown,
                )
            try:
                # With O_APPEND the next write goes to the end, wherever this puts it.
                os.ftruncate(descriptor, keep)
                _write_all(descriptor, line)
                os.fsync(descriptor)
                _require_written(descriptor, keep, len(line), digest)
            except BaseException:
                with suppress(OSError):
                    os.ftruncate(descriptor, keep)
                    os.fsync(descriptor)
                raise
        finally:
            close_quietly(descriptor)
        # The run that made the file may have been cut off before its name was durable.
        folder.sync()


def _publish(folder: Folder, name: str, draft: _Draft) -> None:
    # From the one that leaves least behind after a kill to the one that works everywhere.
    for way in (_publish_nameless, _publish_renamed, _publish_linked):
        try:
            way(folder, name, draft)
        except _NotOfferedError:
            continue
        return
    _publish_over_placeholder(folder, name, draft)


def _publish_nameless(folder: Folder, name: str, draft: _Draft) -> None:
    """Linux: a kill at any moment leaves nothing behind."""
    flag = getattr(os, "O_TMPFILE", None)
    if flag is None or folder.descriptor is None:
        raise _NotOfferedError
    flags = flag | os.O_RDWR | os.O_CLOEXEC
    with _offered():
        descriptor = os.open(".", flags, OWN_FILE, dir_fd=folder.descriptor)
    try:
        draft.fill(descriptor)
        draft.ask()
        with _offered():
            # Without `dst_dir_fd` Python calls link() and not linkat(), which cannot do this.
            os.link(
                f"/proc/self/fd/{descriptor}",
                name,
                dst_dir_fd=folder.descriptor,
                follow_symlinks=True,
            )
    finally:
        close_quietly(descriptor)


def _publish_renamed(folder: Folder, name: str, draft: _Draft) -> None:
    """Windows: its rename refuses a name that exists, on every file system."""
    if sys.platform != "win32":
        raise _NotOfferedError
    with _random_file(folder) as (descriptor, random_name):
        draft.fill(descriptor)
        draft.ask()
    try:
        # Only now that the file is closed: Windows renames no open file.
        folder.move(random_name, folder, name)
    except BaseException:
        with suppress(OSError):
            folder.remove(random_name)
        raise


def _publish_linked(folder: Folder, name: str, draft: _Draft) -> None:
    """A random name, linked to the final one. Its name is never opened again."""
    with _random_file(folder) as (descriptor, random_name):
        draft.fill(descriptor)
        draft.ask()
        with _offered():
            folder.link(random_name, name)
    # A kill before this leaves the whole file under two names.
    folder.remove(random_name)


def _publish_over_placeholder(folder: Folder, name: str, draft: _Draft) -> None:
    """No links here: an empty file of the name keeps others away until the rename."""
    with _random_file(folder) as (descriptor, random_name):
        draft.fill(descriptor)
        draft.ask()
        # O_EXCL: fails where the name exists. From here on it is taken, by an empty file of ours.
        close_quietly(folder.open(name, _NEW))
        try:
            folder.move(random_name, folder, name)
        except BaseException:
            with suppress(OSError):
                # Still the empty one: the move is the only thing that could have put bytes there.
                folder.remove(name)
            raise


@contextmanager
def _random_file(folder: Folder) -> Iterator[tuple[int, str]]:
    """A new file under a random name, closed at the end and removed after a failure."""
    random_name = UNFINISHED + secrets.token_hex(16)
    descriptor = folder.open(random_name, _NEW)
    # Two levels: closed first, since Windows removes no open file.
    try:
        try:
            yield descriptor, random_name
        finally:
            close_quietly(descriptor)
    except BaseException:
        with suppress(OSError):
            folder.remove(random_name)
        raise


@contextmanager
def _offered() -> Iterator[None]:
    """Turn "this file system has no such thing" into the next way of publishing."""
    try:
        yield
    except OSError as error:
        if error.errno in _NOT_OFFERED:
            raise _NotOfferedError from error
        raise


def _write_all(descriptor: int, data: bytes) -> None:
    left = memoryview(data)
    while left:
        # It may take fewer bytes than it was given; a view cuts without copying.
        written = os.write(descriptor, left[:_PART])
        if written <= 0:
            raise OSError(errno.EIO, "the system wrote no byte")
        left = left[written:]


def _require_written(descriptor: int, start: int, size: int, expected: str) -> None:
    """Read back and compare; one byte more is asked for, so that a longer file shows."""
    if hasattr(os, "posix_fadvise"):
        with suppress(OSError):
            # Advice to read from the medium and not from memory. A later check is the proof.
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
    os.lseek(descriptor, start, os.SEEK_SET)
    # One byte of `left` must remain: none means a longer file, more means a shorter one.
    digest, left = hashlib.sha256(), size + 1
    while left and (part := os.read(descriptor, min(left, _PART))):
        digest.update(part)
        left -= len(part)
    if left != 1 or digest.hexdigest() != expected:
        raise StoreError(
            "what was read back is not what was written",
            code="verify-failed",
            next_step="do not trust the medium, the cable or the memory of this machine",
        )


@contextmanager
def explaining(shown: str, size: int) -> Iterator[None]:
    """Give every error of the system and of the read-back its file and its sentence.

    Args:
        shown: Path of the file that is written, for messages.
        size: Bytes that it needs.

    Raises:
        StoreError: for every `OSError` of the body.
    """
    try:
        yield
    except OSError as error:
        raise _write_error(error, shown, size) from error
    except StoreError as error:
        error.file = error.file or shown
        raise


def _write_error(error: OSError, shown: str, size: int) -> StoreError:
    if error.errno in _FULL:
        return StoreError(
            f"not written: {size:,} bytes are needed{_free_space(shown)}"
            if size
            else "not written: there is no room left",
            code="disk-full",
            next_step="make room or name another place",
            file=shown,
        )
    code, reason = _REASONS.get(error.errno or 0, ("write-failed", error.strerror or str(error)))
    return StoreError(
        f"not written: {reason}",
        code=code,
        next_step="check the medium and its permissions, or name another place",
        file=shown,
    )


def _free_space(shown: str) -> str:
    try:
        free = shutil.disk_usage(Path(shown).parent).free
    except OSError:
        return ""
    return f" and {free:,} are free"


def _exists(shown: str) -> RefusalError:
    return RefusalError(
        "this exists already and is never overwritten",
        code="output-exists",
        next_step="name a new file",
        file=shown,
    )
