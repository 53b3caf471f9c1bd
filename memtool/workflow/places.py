"""Where the backup stores of a run lie."""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from memtool.errors import UsageError
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
