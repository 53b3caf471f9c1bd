"""What a person adds to an order's record: notes and files."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from memtool.store.reading import read_file
from memtool.store.writing import write_new
from memtool.workflow.jobs import ATTACHMENTS, OpenJob, free_path, record, relative_to_job


def add_note(opened: OpenJob, text: str, *, now: datetime) -> OpenJob:
    """Put a sentence into the record."""
    return record(opened, "note", {"text": text}, now=now)


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
    copy = free_path(opened.folder / ATTACHMENTS, "attachment", suffix[:8])
    digest = write_new(copy, content.data)
    facts = {
        "path": relative_to_job(opened, copy),
        "name": path.name,
        "sha256": digest,
        "caption": caption,
    }
    files = [(relative_to_job(opened, copy), digest)]
    return record(opened, "attached", facts, files=files, now=now)
