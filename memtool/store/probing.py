"""Finds out what the file system under a folder can do, by trying it there.

Everything that is tried happens in a new folder of a random name, which goes again.
"""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from memtool.errors import StoreError
from memtool.store.folder import Folder, open_folder
from memtool.store.locking import hold_lock
from memtool.store.writing import UNFINISHED

_NEW = os.O_RDWR | os.O_CREAT | os.O_EXCL


@dataclass(frozen=True, slots=True, kw_only=True)
class FileSystem:
    """What the file system can do; `memtool.store.writing` chooses its way by trying too."""

    nameless_files: bool
    """A write that is killed leaves nothing behind."""
    hard_links: bool
    """A file can be given a name without taking another file's place."""
    folder_sync: bool
    """Names can be made durable."""
    locks: bool
    """Two runs can keep out of each other's way."""
    tells_case_apart: bool
    """``A.bin`` and ``a.bin`` are two files."""
    keeps_modes: bool
    """A file can be kept from being changed, and from being read by other users."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """A place on disk, looked at."""

    tried_in: Path | None
    """The folder itself or the nearest one above that exists; None: nothing can be written."""
    free_bytes: int | None
    file_system: FileSystem | None
    problem: str | None
    """Why it could not be tried, as a clause; None where it was."""


def probe_folder(path: Path) -> Probe:
    """Try the file system of `path`, or of the nearest folder above it that exists."""
    step = path
    while not step.is_dir() and step != step.parent:
        step = step.parent
    free = None
    with suppress(OSError):
        free = shutil.disk_usage(step).free
    name = UNFINISHED + secrets.token_hex(16)
    try:
        with open_folder(step) as above:
            above.make(name)
            try:
                with above.folder(name) as folder:
                    return Probe(
                        tried_in=step, free_bytes=free, file_system=_try_all(folder), problem=None
                    )
            finally:
                shutil.rmtree(step / name, ignore_errors=True)
    except OSError as error:
        problem = f"nothing can be written in {step}: {error.strerror}"
        return Probe(tried_in=None, free_bytes=free, file_system=None, problem=problem)


def _try_all(folder: Folder) -> FileSystem:
    os.close(folder.open("a", _NEW))
    return FileSystem(
        nameless_files=_works(lambda: _open_nameless(folder)),
        hard_links=_works(lambda: folder.link("a", "b")),
        folder_sync=folder.descriptor is not None and _works(lambda: os.fsync(_of(folder))),
        locks=_locks(folder),
        tells_case_apart=folder.status("A") is None,
        keeps_modes=_keeps_modes(folder),
    )


def _works(attempt: Callable[[], object]) -> bool:
    try:
        attempt()
    except (OSError, NotImplementedError):
        return False
    return True


def _of(folder: Folder) -> int:
    assert folder.descriptor is not None
    return folder.descriptor


def _open_nameless(folder: Folder) -> None:
    flag = getattr(os, "O_TMPFILE", None)
    if flag is None or folder.descriptor is None:
        raise NotImplementedError
    os.close(os.open(".", flag | os.O_RDWR | os.O_CLOEXEC, 0o600, dir_fd=folder.descriptor))


def _locks(folder: Folder) -> bool:
    try:
        with hold_lock(folder.path / "lock", seconds=0):
            return True
    except StoreError:
        return False


def _keeps_modes(folder: Folder) -> bool:
    with suppress(OSError, NotImplementedError):
        (folder.path / "a").chmod(0o400)
    status = folder.status("a")
    return status is not None and not status.st_mode & 0o277
