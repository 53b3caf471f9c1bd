"""The stages of `check`: ask the stage, record the answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from memtool.core.finding import Check
from memtool.core.job.decisions import judge_points, list_points
from memtool.core.job.events.kinds import StageChecked
from memtool.core.job.parts import is_transferred
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.job.stages.answers import compute_verdict
from memtool.core.job.standing import find_standing, judge_now
from memtool.core.names import file_stem
from memtool.core.read_options import PLAIN
from memtool.store.backups import BackupStore
from memtool.workflow.blank import SUFFIXES
from memtool.workflow.jobs import (
    FILES,
    OpenJob,
    append_event,
    name_in_journal,
    only_memory,
    relative_to_job,
)
from memtool.workflow.loading import LoadedRead
from memtool.workflow.stages.after_setup import judge_after_setup
from memtool.workflow.stages.after_writing import judge_after_writing, judge_restored
from memtool.workflow.stages.before_writing import judge_before_writing
from memtool.workflow.stages.donor import judge_donor
from memtool.workflow.stages.request import Checked, CheckRequest
from memtool.workflow.writing import NewFile, choose_path, write_files


def infer_stage(request: CheckRequest) -> Stage:
    """The stage that the job has come to.

    Reported values belong to `after-setup`. Without a file to program it is `donor`; with
    one that was not judged yet, or of which the verdict is out of date, `before-writing`;
    then `after-writing` until a read-back was equal, then `after-setup`.
    """
    job = request.opened.job
    if request.reported_vins or request.codes is not None:
        return Stage.AFTER_SETUP
    if job.is_follow_up:
        return Stage.AFTER_SETUP
    memory = only_memory(request.opened, request.chip)
    made = [item for item in job.blankings if item.memory == memory]
    given_back = job.restore_of(memory)
    if given_back is not None and given_back.number > max(
        (each.number for each in made), default=0
    ):
        return Stage.RESTORED
    if not made and not is_transferred(job, memory):
        return Stage.DONOR
    for stage in (Stage.BEFORE_WRITING, Stage.AFTER_WRITING):
        standing = find_standing(job, stage, memory)
        if standing is None or standing.verdict in (StageVerdict.FAIL, StageVerdict.OUT_OF_DATE):
            return stage
    return Stage.AFTER_SETUP


def check_stage(request: CheckRequest, store: BackupStore, *, now: datetime) -> Checked:
    """Check one stage and put the answer, and a copy of the read, into the job.

    Raises:
        UsageError: what the stage needs is not there.
        StoreError: a backup is lost or damaged.
    """
    stage = request.stage or infer_stage(request)
    memory = None if request.is_module_wide else only_memory(request.opened, request.chip)
    match stage:
        case Stage.DONOR:
            checks, subject = judge_donor(request, store, memory)
        case Stage.BEFORE_WRITING:
            checks, subject = judge_before_writing(request, store, memory)
        case Stage.AFTER_WRITING:
            checks, subject = judge_after_writing(request, store, memory)
        case Stage.AFTER_SETUP:
            checks, subject = judge_after_setup(request, store, memory)
        case Stage.RESTORED:
            checks, subject = judge_restored(request, store, memory)
    verdict = compute_verdict(checks)
    opened = _record(request, stage, memory, verdict, checks, subject, now)
    points = list_points(opened.job, opened.job.stage_checks[-1])
    return Checked(
        opened=opened,
        stage=stage,
        inferred=request.stage is None,
        memory=memory,
        verdict=judge_points(points),
        points=points,
        subject=subject.path if subject else None,
    )


def _record(
    request: CheckRequest,
    stage: Stage,
    memory: str | None,
    verdict: StageVerdict,
    checks: Sequence[Check],
    subject: LoadedRead | None,
    now: datetime,
) -> OpenJob:
    """Keep a copy of a read that came from outside the job, and write the entry."""
    job, new, kept = request.opened.job, [], request.kept
    is_of_a_read = stage in (Stage.AFTER_WRITING, Stage.AFTER_SETUP, Stage.RESTORED)
    if subject is not None and is_of_a_read and kept is None:
        folder = request.opened.folder / FILES
        stem = file_stem(stage.value, job.label_of(memory) if memory else "read")
        suffix = SUFFIXES[subject.format]
        path = choose_path(request.opened, folder, stem, suffix, subject.file_sha256)
        new.append(NewFile(path=path, data=subject.data))
    sha256 = subject.image.sha256() if subject else None
    event = StageChecked(
        memory=memory,
        judged=judge_now(job, stage, memory, reads=(sha256,) if sha256 else None),
        stage=stage,
        verdict=verdict,
        checks=tuple(checks),
        subject=name_in_journal(request.opened, Path(subject.path)) if subject else None,
        sha256=sha256,
        copy=relative_to_job(request.opened, new[0].path) if new else None,
        reported_vins=request.reported_vins,
        codes=request.codes,
        mileage_before=request.mileage_before,
        mileage_after=request.mileage_after,
        file_sha256=subject.file_sha256 if subject else None,
        read_time=subject.modified if subject and is_of_a_read else None,
        order=subject.options.order if subject else PLAIN,
    )
    files = [(subject.path, subject.file_sha256)] if subject else []
    if kept is not None:
        event = replace(event, subject=kept.check.subject, copy=kept.check.copy, again=kept.changed)
        files = []
    if not new:
        return append_event(request.opened, event, files=files, now=now)
    return write_files(request.opened, event, new, files=files, now=now)
