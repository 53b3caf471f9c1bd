"""What a command knows when it runs: the time, the store, the job it stands in, the person."""

from __future__ import annotations

import os
import sys
from datetime import UTC, datetime
from pathlib import Path

import click

from memtool.errors import InputError, UsageError
from memtool.formats.codec import ImageFormat
from memtool.store.backups import BackupStore, default_store_folder
from memtool.workflow.jobs import OpenJob, find_job_folder, open_job
from memtool.workflow.loading import ReadOptions


def clock() -> datetime:
    """The time of this moment, with the zone of this machine."""
    return datetime.now(UTC).astimezone()


def open_store(folder: Path | None) -> BackupStore:
    """The backup store that was asked for, or the user's own; with its second, if set."""
    also = os.environ.get("BENCHIMAGE_ALSO")
    return BackupStore(folder or default_store_folder(), also=Path(also) if also else None)


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


def current_job(asked: Path | None) -> OpenJob | None:
    """The job named with ``--job``, or the one that the current folder lies in."""
    folder = asked or find_job_folder(None, current_folder())
    return None if folder is None else open_job(folder)


def require_job(asked: Path | None) -> OpenJob:
    """The current job.

    Raises:
        UsageError: there is none.
    """
    opened = current_job(asked)
    if opened is None:
        raise UsageError(
            "this command works inside a job",
            code="no-job",
            next_step="go into its folder or name it with --job DIR",
        )
    return opened


def can_ask() -> bool:
    """Whether a person sits at a terminal."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def ask(question: str, *, default: str | None = None, hide: bool = False) -> str:
    """Ask the person at the terminal; the question goes to stderr."""
    if default == "":
        question += " (Enter leaves it open)"
    answer = click.prompt(
        question, default=default, hide_input=hide, err=True, show_default=bool(default)
    )
    return str(answer).strip()


def job_option_text(asked: Path | None) -> str:
    """How the next command names the job, where it was named this time."""
    return "" if asked is None else f" --job {asked}"


def read_options(read_format: str | None, *, base: int, overlap: str | None) -> ReadOptions:
    """The shared reading options of a command, as `memtool.workflow.loading` takes them."""
    return ReadOptions(
        format=ImageFormat(read_format) if read_format else None,
        base=base,
        overlap_last=overlap == "last",
    )
