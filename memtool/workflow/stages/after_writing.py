"""Stages `after-writing` and `restored`: a read of the module against what it is to hold."""

from __future__ import annotations

from dataclasses import replace

from memtool.core.chip import find_chip
from memtool.core.image import Image
from memtool.core.job.events.kinds import ImageBlanked
from memtool.core.job.parts import is_transferred
from memtool.core.job.stage import Stage
from memtool.core.job.stages.after_writing import check_read_back, name_route
from memtool.core.job.stages.restored import check_restored
from memtool.core.role import Role
from memtool.errors import ImageFormatError, UsageError
from memtool.store.backups import BackupStore
from memtool.workflow.jobs import load_backup, load_role
from memtool.workflow.loading import load_read
from memtool.workflow.stages.images import (
    check_time,
    donor_of,
    judged_part,
    judging_layout,
    load_from_outside,
    load_image,
    require_read,
)
from memtool.workflow.stages.request import Answer, CheckRequest


def judge_after_writing(request: CheckRequest, store: BackupStore, memory: str | None) -> Answer:
    read_back = load_from_outside(request, store, memory, _named(request, "writing"))
    intended, blanking = _intended(request, store, memory, read_back.image)
    if blanking is None:
        # The donor's own chip may be gone from the board without ever having been read.
        reads, before = load_role(request.opened, store, Role.DONOR, memory) or require_read(
            request, store, Role.ORIGINAL, memory
        )
    else:
        reads, before = donor_of(request, store, memory, blanking)
    checks = check_read_back(
        intended=judged_part(request, memory, intended),
        read_back=judged_part(request, memory, read_back.image),
        before=judged_part(request, memory, before.image),
        edited=blanking.edits.spans if blanking else (),
        layout=judging_layout(request),
        chip=find_chip(reads.chip),
        others=()
        if read_back.image == intended
        else _other_images(request, store, memory, intended),
    )
    times = check_time(
        request,
        read_back,
        stage=Stage.AFTER_WRITING,
        memory=memory,
        made=(reads.time, "the original's backup")
        if blanking is None
        else (blanking.time, "the file to program"),
        is_equal=read_back.image == intended,
    )
    return (*(() if blanking else (name_route(),)), *checks, *times), read_back


def _other_images(
    request: CheckRequest, store: BackupStore, memory: str | None, intended: Image
) -> tuple[tuple[str, Image], ...]:
    """Compare a read of the module with what was to be written."""
    """What a person may have written by mistake: the job's other images."""
    opened = request.opened
    found = []
    original = load_role(opened, store, Role.ORIGINAL, memory)
    if original is not None:
        found.append(("the original's image", original[1].image))
    newest = {id(made) for made in opened.job.blankings_of(memory)}
    for made in opened.job.blankings:
        path = opened.folder / made.copy
        # A copy that is gone or was changed tells nothing of what was written.
        if made.sha256 == intended.sha256() or not path.exists():
            continue
        try:
            image = load_read(path, replace(request.options, order=made.order)).image
        except ImageFormatError:
            continue
        if image.sha256() == made.sha256:
            older = id(made) in newest
            name = "an older file of this job" if older else f"the file of '{made.memory}'"
            found.append((name, image))
    return tuple(found)


def _intended(
    request: CheckRequest, store: BackupStore, memory: str | None, read_back: Image
) -> tuple[Image, ImageBlanked | None]:
    """What was to be written: the file judged last, or the newest file to program."""
    judged = request.opened.job.latest_check(Stage.BEFORE_WRITING, memory)
    original = load_role(request.opened, store, Role.ORIGINAL, memory)
    if judged and original and judged.sha256 == original[1].image.sha256():
        return original[1].image, None
    job = request.opened.job
    if original and not job.blankings_of(memory):
        # The original's chip was moved onto the donor's board: nothing was written at all.
        is_moved = not job.backups_of(Role.DONOR, memory) or is_transferred(job, memory)
        is_moved = is_moved or original[1].image == read_back
        if is_moved:
            return original[1].image, None
    loaded = load_image(request, store, memory, "to-write")
    return loaded.image, request.opened.job.blanking_of(loaded.image.sha256())


def judge_restored(request: CheckRequest, store: BackupStore, memory: str | None) -> Answer:
    """Whether the module holds the backup that was given back last; else the donor's newest."""
    read = load_from_outside(request, store, memory, _named(request, "restoring"))
    given_back = request.opened.job.restore_of(memory)
    event, loaded = require_read(request, store, Role.DONOR, memory)
    for other in request.opened.job.backups:
        if given_back is not None and other.backup == given_back.backup:
            event, loaded = other, load_backup(store, other)[1]
    store.require_receipt(event.backup)
    made = request.opened.job.blankings_of(memory)
    before = loaded if not made else load_image(request, store, memory, "to-write")
    checks = check_restored(
        backup=judged_part(request, memory, loaded.image),
        read=judged_part(request, memory, read.image),
        before=judged_part(request, memory, before.image),
        whose=event.role.value,
        is_given_back=given_back is not None,
        layout=judging_layout(request),
        chip=find_chip(event.chip),
    )
    times = check_time(
        request,
        read,
        stage=Stage.RESTORED,
        memory=memory,
        made=(given_back.time if given_back else None, "the backup that was given back"),
        is_equal=read.image == loaded.image,
    )
    return (*checks, *times), read


def _named(request: CheckRequest, step: str) -> str:
    """The read that the person gave of the module as it is after a step.

    Raises:
        UsageError: none was given.
    """
    if request.name is None:
        raise UsageError(
            f"the read that was made after {step} is not named",
            code="missing-answer",
            next_step="read the module again and give that file",
        )
    return request.name
