"""Where a run works: the current folder, the job around it, the backup stores.

Light on purpose: what only has to find a place loads nothing of jobs and images.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from memtool.core.names import JOURNAL
from memtool.errors import InputError, UsageError
from memtool.lazy import platformdirs
from memtool.workflow.late import backups


def default_store_folder() -> Path:
    """The store of this user, where the system keeps such data."""
    return platformdirs.user_data_path("benchimage", appauthor=False) / "backups"


@dataclass(frozen=True, kw_only=True)  # without slots: it keeps the store that it has opened
class StorePlace:
    """Where the backup store lies; nothing of it is opened before it is asked for."""

    folder: Path
    also: Path | None = None
    """Of its second copy."""

    @cached_property
    def store(self) -> backups.BackupStore:
        """The store itself, the same one each time: it knows whether this run holds it."""
        return backups.BackupStore(self.folder, also=self.also)


def find_store(folder: Path | None) -> StorePlace:
    """Place of the store that was asked for, or the user's own; with its second, if set.

    Raises:
        UsageError: the second store is the first.
    """
    also = os.environ.get("BENCHIMAGE_ALSO")
    return find_stores(folder, Path(also) if also else None)


def open_store(folder: Path | None) -> backups.BackupStore:
    """The backup store that was asked for, or the user's own; with its second, if set.

    Raises:
        UsageError: the second store is the first.
    """
    return find_store(folder).store


def find_stores(folder: Path | None, also: Path | None) -> StorePlace:
    """Place of the store that was asked for, or the user's own, and of a second one.

    Raises:
        UsageError: the second store is the first.
    """
    first = folder or default_store_folder()
    if also is not None and first.resolve() == also.resolve():
        raise UsageError(
            "the second store is the backup store itself, and would keep no second copy",
            code="same-store",
            next_step="name a folder on another medium with --also or BENCHIMAGE_ALSO",
        )
    return StorePlace(folder=first, also=also)


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
