"""The current folder, and the job around it.

Light on purpose: what only has to see whether a job is near loads nothing of jobs and stores,
and no `pathlib`.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from typing import TYPE_CHECKING

from memtool.core.names import JOURNAL
from memtool.errors import InputError
from memtool.lazy import pathlib

if TYPE_CHECKING:
    from pathlib import Path


def current_folder() -> Path:
    """Where the command was called.

    Raises:
        InputError: that folder is gone, or the system does not tell.
    """
    return pathlib.Path(_current())


def _current() -> str:
    try:
        return os.getcwd()
    except OSError as error:
        raise InputError(
            f"the current folder cannot be found: {error.strerror}",
            code="no-current-folder",
            next_step="go into another folder",
        ) from error


def find_job_folder(asked: Path | None, start: Path) -> Path | None:
    """The folder named with ``--job``, or the job that `start` lies in; None without one.

    Raises:
        InputError: a folder cannot be looked into.
    """
    if asked is not None:
        return asked
    found = _find_job(str(start))
    return None if found is None else pathlib.Path(found)


def _find_job(start: str) -> str | None:
    return next((folder for folder in _with_those_above(start) if _holds_journal(folder)), None)


def _with_those_above(folder: str) -> Iterator[str]:
    while True:
        yield folder
        above = os.path.dirname(folder) or os.curdir
        if above == folder:
            return
        folder = above


def _holds_journal(folder: str) -> bool:
    try:
        return stat.S_ISREG(os.stat(os.path.join(folder, JOURNAL)).st_mode)
    except (FileNotFoundError, NotADirectoryError, PermissionError):
        return False  # A folder above that is closed to this user holds no job of theirs.
    except OSError as error:
        if error.errno == errno.ELOOP:
            return False
        raise InputError(
            f"the folder cannot be looked into: {error.strerror}",
            code="unreadable",
            next_step="check the medium",
            file=folder,
        ) from error


def looks_like_a_job(folder: str | Path) -> bool:
    """Whether a job's folders are there; a job that was deleted whole is no matter."""
    return all(os.path.isdir(os.path.join(folder, name)) for name in ("files", "reports"))


def is_near_job() -> bool:
    """Whether this run has to do with a job: one that is there, or one that was.

    Raises:
        InputError: a folder cannot be looked into.
    """
    start = _current()
    return _find_job(start) is not None or lies_in_job_folders(start)


def lies_in_job_folders(start: str | Path) -> bool:
    """Whether it is, or lies in, a folder that looks like a job, with a journal or without."""
    return any(map(looks_like_a_job, _with_those_above(str(start))))
