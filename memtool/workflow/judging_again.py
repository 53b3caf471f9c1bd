"""Verdicts whose ground has changed are judged again at once, from what the job keeps.

A new layout, another VIN or module kind, or a further backup changes what an earlier verdict
rests on. Where the bytes that it looked at are kept, they are judged once more and the answer
is an entry of its own. It stays out of date where they are not, and where the file to program is
a new one: a read that was made before says nothing of it.
"""

from __future__ import annotations

from datetime import datetime

from memtool.core.job.events.kinds import StageChecked
from memtool.core.job.job import Job
from memtool.core.job.stage import Stage
from memtool.core.job.standing import find_outdated
from memtool.core.read_options import ReadOptions
from memtool.core.role import Role
from memtool.errors import MemtoolError, StoreError
from memtool.store.backups import BackupStore
from memtool.store.layouts import LoadedLayout
from memtool.workflow.check import check_stage
from memtool.workflow.jobs import TO_WRITE, OpenJob
from memtool.workflow.layout_choice import choose_layout
from memtool.workflow.loading import LoadedRead, load_read
from memtool.workflow.stages.request import CheckRequest, KeptRead


def judge_again(opened: OpenJob, store: BackupStore, *, now: datetime) -> OpenJob:
    """Judge every verdict again that rests on something else now, as far as that can be done.

    A verdict that cannot be judged, because a copy is lost or an answer is missing, stays out
    of date.

    Returns:
        The job with one entry for each verdict that was judged again.
    """
    for standing in find_outdated(opened.job):
        check = standing.check
        try:
            name, read = _find_subject(opened, check)
            request = CheckRequest(
                opened=opened,
                stage=check.stage,
                name=name,
                reported_vins=check.reported_vins,
                codes=check.codes,
                mileage_before=check.mileage_before,
                mileage_after=check.mileage_after,
                # All answers of the earlier check are given again; the layout is the one in force
                # now.
                layout=_layout_of(opened, check.memory),
                chip=check.memory,
                kept=KeptRead(check=check, changed=standing.changed, read=read),
            )
            opened = check_stage(request, store, now=now).opened
        # One that cannot be judged must not keep the others from it; it stays out of date and is
        # told.
        except MemtoolError:
            continue
    return opened


def _layout_of(opened: OpenJob, memory: str | None) -> LoadedLayout | None:
    if memory is None:
        return None
    return choose_layout(None, named=None, opened=opened, chip=memory).loaded


def _find_subject(opened: OpenJob, check: StageChecked) -> tuple[str | None, LoadedRead | None]:
    """The name of what was judged, and the read itself where the job keeps a copy of it.

    Raises:
        StoreError: the job keeps none, or it was changed.
    """
    # This stage judges a file of the job's own, which has a name and is read by it.
    if check.stage is Stage.BEFORE_WRITING:
        return _name_of_file(opened.job, check), None
    # A check that looked at no read.
    if check.copy is None:
        return None, None
    return check.subject, load_checked(opened, check, check.copy)._replace(modified=check.read_time)


def load_checked(opened: OpenJob, check: StageChecked, copy: str) -> LoadedRead:
    """The read that a check judged, from the job's copy of it.

    Raises:
        StoreError: it is lost, or was changed.
    """
    if not (opened.folder / copy).is_file():
        raise StoreError(
            "the job's copy of a read that was checked is lost",
            code="copy-lost",
            file=str(opened.folder / copy),
            next_step="put the copy back, or read the module again and check that read",
        )
    bases = [backup.base for backup in opened.job.backups if backup.memory == check.memory]
    options = ReadOptions(base=bases[-1] if bases else 0, order=check.order)
    read = load_read(opened.folder / copy, options)
    # A verdict over changed bytes would stand beside the old digest.
    if read.image.sha256() != check.sha256:
        raise StoreError("the job's copy of the read was changed", code="copy-changed")
    return read


def _name_of_file(job: Job, check: StageChecked) -> str:
    """The job's own name for the file that was judged before it was written."""
    original = job.newest_backup(Role.ORIGINAL, check.memory)
    if check.judged.file is not None and check.sha256 == check.judged.file:
        return TO_WRITE
    if original is not None and check.sha256 == original.sha256:
        return Role.ORIGINAL.value
    raise StoreError("the job keeps no copy of the file that was judged", code="no-copy")
