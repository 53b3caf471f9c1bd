"""The store's register of jobs: a small file for each, ``jobs/<id>.json``.

A row is put in place of the one before, whole or not at all. It follows from the job's
journal, so a lost or damaged one is made anew from the job. The register has a lock of its
own, held for the moment of a change, so that a long check of the store stops nobody's work.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

from memtool.core.job.register import JobRow
from memtool.errors import InputError, StoreError, UsageError
from memtool.store.folder import Folder, open_folder
from memtool.store.locking import hold_lock
from memtool.store.reading import read_file_in
from memtool.store.shape import JOBS, MARKER, STORE_VERSION, version_of_marker
from memtool.store.writing import replace_in

ROW_FORMAT = "benchimage.job-row/1"
_LOCK = "lock"
_NAME = re.compile(r"([0-9a-f]{16})\.json", re.ASCII)
_LIMIT = 16 * 1024 * 1024
_LISTS = frozenset({"vins", "parts", "images", "memories"})
_LATER = frozenset({"module_kind", "memories", "next", "changed"})
"""What older rows lack."""
_MAY_BE_NULL = frozenset({"work_order", "vehicle_vin", "module_kind", "next", "changed"})


def read_rows(store: Path) -> tuple[JobRow, ...]:
    """Every job that the store knows, oldest first; damaged rows are left out (`check_rows`).

    Raises:
        StoreError: the register cannot be read.
    """
    return read_register(store)[0]


def read_register(store: Path) -> tuple[tuple[JobRow, ...], int]:
    """As `read_rows`, and how many rows are damaged.

    Raises:
        StoreError: the register cannot be read.
    """
    rows, damaged = [], 0
    with _open_jobs(store) as jobs:
        for name in () if jobs is None else jobs.names():
            if jobs is None or not _NAME.fullmatch(name):
                continue
            try:
                rows.append(_read_row(jobs, name))
            except StoreError:
                damaged += 1
    return tuple(sorted(rows, key=lambda row: (row.opened, row.id))), damaged


def read_row(store: Path, job_id: str) -> JobRow | None:
    """What the store knows of one job; None where it knows nothing.

    Raises:
        StoreError: the row is damaged, or cannot be read.
    """
    with _open_jobs(store) as jobs:
        if jobs is None or jobs.status(_name_of(job_id)) is None:
            return None
        return _read_row(jobs, _name_of(job_id))


def keep_row(store: Path, row: JobRow) -> None:
    """Remember a job as it is now, durably; the store is of version 2.

    A row with more entries stays: another run has added to the journal meanwhile.

    Raises:
        StoreError: there is no store, it is not of version 2, or it cannot be written.
    """
    with _open_jobs(store) as jobs:
        if jobs is None:
            raise StoreError(
                "the store has no register of jobs yet", code="no-register", file=str(store)
            )
        with hold_lock(store / JOBS / _LOCK):
            name = _name_of(row.id)
            known = None
            if jobs.status(name) is not None:
                with suppress(StoreError):
                    known = _read_row(jobs, name)
            # Another run added to the journal and was quicker. In another folder it is a copy, and
            # the row follows the one that is used.
            is_behind = known is not None and known.entries > row.entries
            if not is_behind or known is None or known.folder != row.folder:
                replace_in(jobs, name, _row_data(row))


def check_rows(root: Folder) -> Iterator[tuple[str, str | None]]:
    """Name and fault of everything in the register that is no whole row; None: a stranger."""
    if root.status(JOBS) is None:
        return
    with root.folder(JOBS) as jobs:
        for name in jobs.names():
            if name == _LOCK:
                continue
            if not _NAME.fullmatch(name):
                yield name, None
                continue
            try:
                _read_row(jobs, name)
            except StoreError as error:
                yield name, f"{error.message[0].upper()}{error.message[1:]}"


@contextmanager
def _open_jobs(store: Path) -> Iterator[Folder | None]:
    """The folder `jobs` of a store; None where the store has none, or is not there."""
    with ExitStack() as stack:
        yield _find_jobs(store, stack)


def _find_jobs(store: Path, stack: ExitStack) -> Folder | None:
    try:
        root = stack.enter_context(open_folder(store, follow=False))
        if root.status(MARKER) is None or root.status(JOBS) is None:
            return None
        marker = read_file_in(root, MARKER, limit=_LIMIT).data
        if version_of_marker(marker) != STORE_VERSION:
            return None
        return stack.enter_context(root.folder(JOBS))
    except FileNotFoundError:
        return None
    except (OSError, InputError, UsageError) as error:
        reason = error.strerror if isinstance(error, OSError) else error.message
        raise StoreError(
            f"the store's register of jobs cannot be opened: {reason}",
            code="cannot-open-store",
            next_step="check the medium and its permissions",
            file=str(store / JOBS),
        ) from error


def _name_of(job_id: str) -> str:
    name = f"{job_id}.json"
    if not _NAME.fullmatch(name):
        raise ValueError(f"'{job_id}' is not the id of a job")
    return name


def _row_data(row: JobRow) -> bytes:
    members = {"format": ROW_FORMAT, **asdict(row)}
    return (json.dumps(members, indent=1, ensure_ascii=True) + "\n").encode("ascii")


def _read_row(jobs: Folder, name: str) -> JobRow:
    shown = jobs.shown(name)
    try:
        members = json.loads(read_file_in(jobs, name, limit=_LIMIT).data)
    except (InputError, UsageError) as error:
        raise StoreError(error.message, code=error.code, file=shown) from error
    except (ValueError, RecursionError) as error:
        raise _damaged(shown) from error
    row = _row_of(members)
    # A row under another job's name would speak for that job.
    if row is None or f"{row.id}.json" != name:
        raise _damaged(shown)
    return row


def _row_of(members: Any) -> JobRow | None:
    names = {"format", *(item.name for item in fields(JobRow))}
    if not isinstance(members, dict) or not names - _LATER <= set(members) <= names:
        return None
    if members.pop("format") != ROW_FORMAT or type(members["entries"]) is not int:
        return None
    for name, value in members.items():
        if name in _LISTS:
            if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
                return None
            members[name] = tuple(value)
        elif not (
            isinstance(value, str) or name == "entries" or (value is None and name in _MAY_BE_NULL)
        ):
            return None
    return JobRow(**members)


def _damaged(shown: str) -> StoreError:
    return StoreError(
        "this row of the register was changed or is incomplete",
        code="row-damaged",
        next_step="make it anew with 'benchimage job adopt DIR'",
        file=shown,
    )
