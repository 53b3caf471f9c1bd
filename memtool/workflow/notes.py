"""What a person adds to an order's journal: notes and files."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from memtool.core.job.events.kinds import FileAttached, NoteAdded, OrderAmended
from memtool.core.job.events.person_kinds import FunctionTested
from memtool.core.job.order import Order, says_nothing
from memtool.errors import UsageError
from memtool.store.reading import read_file
from memtool.workflow.jobs import ATTACHMENTS, OpenJob, append_event, relative_to_job
from memtool.workflow.writing import NewFile, choose_path, write_files


def add_note(opened: OpenJob, text: str, *, now: datetime) -> OpenJob:
    """Put a sentence into the journal."""
    return append_event(opened, NoteAdded(text=text), now=now)


def amend_order(opened: OpenJob, given: Order, *, now: datetime) -> OpenJob:
    """Put facts of the order on record that no check rests on: labels, receipt, whereabouts."""
    return append_event(opened, OrderAmended(order=given), now=now)


def add_test(opened: OpenJob, test: FunctionTested, *, now: datetime) -> OpenJob:
    """Record what was tried on the vehicle, with its result.

    Raises:
        UsageError: a text says nothing.
    """
    given = (test.text, test.supply_voltage, test.codes_before, test.codes_after, test.calibration)
    if any(text is not None and says_nothing(text) for text in given):
        raise UsageError(
            "a blank or a dot is not enough",
            code="missing-answer",
            next_step="say what was tried, measured or calibrated",
        )
    return append_event(opened, test, now=now)


def attach_file(opened: OpenJob, path: Path, *, caption: str | None, now: datetime) -> OpenJob:
    """Copy a file into the job: a label's photo, codes before and after.

    The copy has a number for a name, since a name from outside is never used as a path.

    Raises:
        UsageError: there is no such file.
        InputError: it is not a regular file, or too large.
        StoreError: the copy could not be written.
    """
    content = read_file(path)
    suffix = path.suffix.lower() if path.suffix[1:].isascii() and path.suffix[1:].isalnum() else ""
    folder = opened.folder / ATTACHMENTS
    copy = choose_path(opened, folder, "attachment", suffix[:8], content.sha256)
    name = relative_to_job(opened, copy)
    event = FileAttached(path=name, name=path.name, sha256=content.sha256, caption=caption)
    new = [NewFile(path=copy, data=content.data)]
    return write_files(opened, event, new, files=[(name, content.sha256)], now=now)
