"""The jobs that a store knows, for a list: quick, with those that moved or broke named."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from memtool.core.job.register import JobRow
from memtool.core.names import JOURNAL
from memtool.store.register import read_register

_MOVED = "moved or deleted: its folder is gone"
_EMPTY = "broken: its journal is gone"


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownJobs:
    """What a store knows."""

    rows: tuple[JobRow, ...] = ()
    """Changed last first."""
    moved: Mapping[str, str] = field(default_factory=dict)
    """What is wrong with some, by id, in a few words."""
    damaged: int = 0
    """Rows that cannot be read."""


def list_known(store: Path) -> KnownJobs:
    """Every job of the store; of each it is looked whether its journal is still there.

    Raises:
        StoreError: the register cannot be read.
    """
    read, damaged = read_register(store)
    rows = sorted(read, key=lambda row: row.changed or row.opened, reverse=True)
    moved = {row.id: why for row in rows if (why := why_gone(row.folder)) is not None}
    return KnownJobs(rows=tuple(rows), moved=moved, damaged=damaged)


def why_gone(folder: str) -> str | None:
    """Why a job is not in its folder any more, in a few words; None: it is there."""
    # Many of them are looked for at once: plain calls, no objects of paths.
    if os.path.isfile(f"{folder}/{JOURNAL}"):  # noqa: PTH113
        return None
    return _EMPTY if os.path.isdir(folder) else _MOVED  # noqa: PTH112
