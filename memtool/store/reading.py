"""Reads a file whole, once, with limits: never a device, a pipe, or a file that is changing.

The digest is made from the bytes that were read, so check and use are one: whoever holds
a `FileContent` holds the bytes that its digest speaks of, whatever happens to the path.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import NamedTuple

from memtool.errors import InputError, MemtoolError, UsageError
from memtool.lazy import hashlib
from memtool.store.folder import Folder, close_quietly

MAX_FILE_SIZE = 256 * 1024 * 1024
"""Bytes. 64 MiB of memory, the most that `memtool.formats` takes, is 180 MB of Intel HEX."""

_PART = 1024 * 1024
_READ = (
    os.O_RDONLY
    # A pipe that takes the file's place after the look at it must not hold the program up.
    | getattr(os, "O_NONBLOCK", 0)
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_NOCTTY", 0)
    | getattr(os, "O_BINARY", 0)
)
_KINDS = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


class FileContent(NamedTuple):
    """A file's bytes, read once."""

    path: Path
    """As the caller named it."""
    data: bytes
    sha256: str
    """Of `data`, as 64 lower-case hex digits."""
    device: int
    inode: int
    """With `device`: which file it was, whatever its names are."""
    modified: int | None = None
    """When it was changed last, in nanoseconds since 1970."""


def read_file(path: Path, *, limit: int = MAX_FILE_SIZE) -> FileContent:
    """Read a whole file.

    Args:
        path: Links are followed.
        limit: Refuse a longer file without reading it, in bytes.

    Raises:
        UsageError: there is no such file (code ``no-such-file``).
        InputError: it is not a regular file, too large, not readable, or it changed meanwhile.
    """
    try:
        _require_regular(path.stat(), str(path))
        descriptor = os.open(path, _READ)
    except (OSError, ValueError) as error:
        raise _not_opened(error, str(path)) from error
    return _read_and_close(descriptor, path, limit)


def read_file_in(folder: Folder, name: str, *, limit: int = MAX_FILE_SIZE) -> FileContent:
    """Read a whole file of an open folder; a symbolic link in its place is refused.

    Raises:
        UsageError: there is no such file (code ``no-such-file``).
        InputError: as `read_file`; code ``symbolic-link`` for a link.
    """
    shown = folder.shown(name)
    try:
        status = folder.status(name)
        if status is None:
            raise _no_such_file(shown)
        if stat.S_ISLNK(status.st_mode):
            raise InputError(
                "this is a symbolic link where a file belongs",
                code="symbolic-link",
                next_step="nothing was read through it",
                file=shown,
            )
        _require_regular(status, shown)
        descriptor = folder.open(name, _READ)
    except (OSError, ValueError) as error:
        raise _not_opened(error, shown) from error
    return _read_and_close(descriptor, Path(shown), limit)


def compute_sha256(data: bytes | memoryview) -> str:
    """The digest of a file's bytes, as 64 lower-case hex digits."""
    return hashlib.sha256(data).hexdigest()


def _read_and_close(descriptor: int, path: Path, limit: int) -> FileContent:
    shown = str(path)
    try:
        before = os.fstat(descriptor)
        # Again, of what was opened: the path may lead elsewhere by now.
        _require_regular(before, shown)
        if before.st_size > limit:
            raise InputError(
                f"the file has {before.st_size:,} bytes, more than {limit:,}",
                code="too-large",
                next_step="name the dump of one memory chip"
                if limit == MAX_FILE_SIZE
                else "see whether the right file was named",
                file=shown,
            )
        data = _read_all(descriptor, before.st_size + 1)
        _require_unchanged(before, os.fstat(descriptor), len(data), shown)
    except OSError as error:
        raise _unreadable(error, shown) from error
    except MemoryError as error:
        raise InputError(
            "there is not enough memory to read the file", code="out-of-memory", file=shown
        ) from error
    finally:
        close_quietly(descriptor)
    return FileContent(
        path=path,
        data=data,
        sha256=compute_sha256(data),
        device=before.st_dev,
        inode=before.st_ino,
        modified=before.st_mtime_ns,
    )


def _read_all(descriptor: int, most: int) -> bytes:
    """Up to `most` bytes: one more than the file should have shows that it grew."""
    parts: list[bytes] = []
    while most > 0 and (part := os.read(descriptor, min(most, _PART))):
        parts.append(part)
        most -= len(part)
    return b"".join(parts)


def _require_regular(status: os.stat_result, shown: str) -> None:
    if stat.S_ISREG(status.st_mode):
        return
    kind = next((words for fits, words in _KINDS if fits(status.st_mode)), "something else")
    raise InputError(
        f"this is not a regular file but {kind}",
        code="not-a-regular-file",
        next_step="name the file that the reader saved",
        file=shown,
    )


def _require_unchanged(
    before: os.stat_result, after: os.stat_result, length: int, shown: str
) -> None:
    if length and before.st_size == after.st_size == 0:
        # The kernel's own tables, in /proc and /sys, say 0 bytes and give some.
        raise InputError(
            "this is not a regular file: it says 0 bytes and gives more",
            code="not-a-regular-file",
            next_step="name the file that the reader saved",
            file=shown,
        )
    same_time = before.st_mtime_ns == after.st_mtime_ns
    if length == before.st_size == after.st_size and same_time:
        return
    raise InputError(
        "the file changed while it was read",
        code="changed-while-read",
        next_step="wait until the program that writes it is done, then try again",
        file=shown,
    )


def _not_opened(error: OSError | ValueError, shown: str) -> MemtoolError:
    if isinstance(error, ValueError):
        # A NUL character: no system has such a name.
        return _no_such_file(shown)
    if isinstance(error, FileNotFoundError | NotADirectoryError):
        return _no_such_file(shown)
    return _unreadable(error, shown)


def _no_such_file(shown: str) -> UsageError:
    return UsageError(
        "there is no such file", code="no-such-file", next_step="check the path", file=shown
    )


def _unreadable(error: OSError, shown: str) -> InputError:
    return InputError(
        f"the file cannot be read: {error.strerror or error}",
        code="unreadable",
        next_step="check its permissions and the medium, or copy it to another place",
        file=shown,
    )
