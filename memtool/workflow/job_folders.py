"""The current folder, and the job around it.

Light on purpose: what only has to see whether a job is near loads nothing of jobs and stores.
"""

from __future__ import annotations

import os
from pathlib import Path

from memtool.core.names import JOURNAL
from memtool.errors import InputError


def current_folder() -> Path:
    """Where the command was called.

    Raises:
        InputError: that folder is gone, or the system does not tell.
    """
    try:
        return Path.cwd()
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
    for folder in (start, *start.parents):
        try:
            if (folder / JOURNAL).is_file():
                return folder
        except PermissionError:
            continue  # A folder above that is closed to this user holds no job of theirs.
        except OSError as error:
            raise InputError(
                f"the folder cannot be looked into: {error.strerror}",
                code="unreadable",
                next_step="check the medium",
                file=str(folder),
            ) from error
    return None


def looks_like_a_job(folder: Path) -> bool:
    """Whether a job's folders are there; a job that was deleted whole is no matter."""
    names = (folder / "files", folder / "reports")
    return all(os.path.isdir(name) for name in names)  # noqa: PTH112 - this one never raises


def is_near_job(start: Path) -> bool:
    """Whether a run in `start` has to do with a job: one that is there, or one that was.

    Raises:
        InputError: a folder cannot be looked into.
    """
    return find_job_folder(None, start) is not None or lies_in_job_folders(start)


def lies_in_job_folders(start: Path) -> bool:
    """Whether it is, or lies in, a folder that looks like a job, with a journal or without."""
    return any(looks_like_a_job(folder) for folder in (start, *start.parents))
