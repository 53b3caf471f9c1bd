"""Jobs of a store whose journal cannot be read, or is another one."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from memtool.core.job.register import JobRow
from memtool.errors import MemtoolError
from memtool.workflow.jobs import open_job
from memtool.workflow.jobs_known import why_gone
from memtool.workflow.remembering import ID_LENGTH

_OTHER = "moved: another job lies in its folder"


def find_broken(rows: Iterable[JobRow]) -> dict[str, str]:
    """Read the journals of these jobs: what is wrong with some, by id, in a few words."""
    found = {}
    for row in rows:
        if why_gone(row.folder) is not None:
            continue
        try:
            opened = open_job(Path(row.folder))
        except (MemtoolError, OSError) as error:
            found[row.id] = f"broken: {getattr(error, 'message', error)}"
            continue
        if opened.first[:ID_LENGTH] != row.id:
            found[row.id] = _OTHER
    return found
