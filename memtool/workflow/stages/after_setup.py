"""Stage `after-setup`: a read of the finished module, or what a scan tool reported."""

from __future__ import annotations

from dataclasses import replace

from memtool.core.chip import find_chip
from memtool.core.finding import Check
from memtool.core.health.all_checks import find_faults
from memtool.core.image import Image
from memtool.core.job.events.kinds import StageChecked
from memtool.core.job.job import Job
from memtool.core.job.stage import Stage
from memtool.core.job.stages.accounting import check_mileage, find_mileage, holds_mileage
from memtool.core.job.stages.after_setup import check_finished, check_reported
from memtool.core.job.stages.baseline import check_taken_over, compare_with_baseline
from memtool.core.job.stages.function_test import check_function_test
from memtool.core.job.standing import standing_of
from memtool.core.role import Role
from memtool.errors import UsageError
from memtool.store.backups import BackupStore
from memtool.workflow.jobs import load_backup, load_role
from memtool.workflow.stages.images import (
    check_time,
    judged_part,
    judging_layout,
    load_from_outside,
    load_image,
)
from memtool.workflow.stages.request import Answer, CheckRequest


def judge_after_setup(request: CheckRequest, store: BackupStore, memory: str | None) -> Answer:
    """Judge the finished module: its read, what was reported, and what was tried."""
    job = request.opened.job
    vin = job.order.vehicle_vin
    if vin is None:
        raise UsageError(
            "the job has no record of the vehicle's VIN",
            code="missing-answer",
            next_step="record it with 'benchimage start --vehicle-vin VIN'",
        )
    if request.name is None and not request.reported_vins and request.codes is None:
        raise UsageError(
            "nothing was given to check",
            code="missing-answer",
            next_step="give a read of the module, or --reported-vin and --codes",
        )
    checks: tuple[Check, ...] = ()
    read = None
    if request.name is not None:
        read = load_from_outside(request, store, memory, request.name)
        original = load_role(request.opened, store, Role.ORIGINAL, memory)
        identities = {text for item in job.blankings for text in item.identities}
        before = _before_setup(request, store, memory)
        checks += check_finished(
            vehicle_vin=vin,
            read=judged_part(request, memory, read.image),
            before=judged_part(request, memory, before) if before else None,
            original=judged_part(request, memory, original[1].image) if original else None,
            identities=sorted(identities),
            kept=[keep.span for made in job.blankings_of(memory)[-1:] for keep in made.kept],
            layout=judging_layout(request),
            health=find_faults(
                read.image,
                chip=find_chip(request.opened.job.chip_of(memory)) if memory else None,
                layout=judging_layout(request),
                vin_texts=(vin,),
            ),
        )
        made = job.blankings_of(memory)
        checks += check_time(
            request,
            read,
            stage=Stage.AFTER_SETUP,
            memory=memory,
            made=(made[-1].time if made else None, "the file to program"),
            is_equal=bool(made) and read.image.sha256() == made[-1].sha256,
        )
        checks += _since_handed_over(request, store, memory, read.image)
    checks += _around_the_vehicle(request)
    if request.reported_vins or request.codes is not None:
        checks += check_reported(
            vehicle_vin=vin,
            vins=request.reported_vins,
            codes=request.codes,
            measured=None if read is not None else _measured_before(request, memory),
            is_measured=read is not None,
        )
    return checks, read


def _before_setup(request: CheckRequest, store: BackupStore, memory: str | None) -> Image | None:
    """What was on the module before its setup.

    The original's image where that was written or its chip was moved, else the file to program,
    else the donor's own image.
    """
    job = request.opened.job
    original = job.newest_backup(Role.ORIGINAL, memory)
    made = job.blankings_of(memory)
    for stage in (Stage.BEFORE_WRITING, Stage.AFTER_WRITING):
        check = job.latest_check(stage, memory)
        is_written = stage is Stage.BEFORE_WRITING or not made
        if check and original and is_written and check.sha256 == original.sha256:
            return load_backup(store, original)[1].image
    if made:
        return load_image(request, store, memory, "to-write").image
    donor = load_role(request.opened, store, Role.DONOR, memory)
    baseline = job.baseline_of(memory)
    if donor is None and baseline is not None:
        return load_backup(store, baseline)[1].image
    return donor[1].image if donor else None


def _since_handed_over(
    request: CheckRequest, store: BackupStore, memory: str | None, read: Image
) -> tuple[Check, ...]:
    """A module that came back, against what an older job handed over."""
    job = request.opened.job
    baseline, taken = job.baseline_of(memory), job.taken_over
    if taken is None or baseline is None or not job.is_follow_up:
        return ()
    held = load_backup(store, baseline)[1].image
    return (
        *check_taken_over(taken),
        compare_with_baseline(read, held, judging_layout(request), taken),
    )


def _around_the_vehicle(request: CheckRequest) -> tuple[Check, ...]:
    """What no read tells: mileage shown, and the function test, where the module asks for it."""
    job = request.opened.job
    checks = []
    if holds_mileage(job.order, judging_layout(request)):
        before, after = request.mileage_before, request.mileage_after
        if before is None and after is None:
            before, after = find_mileage(job) or (None, None)
        checks.append(check_mileage(before, after))
    return (*checks, *check_function_test(job))


def _measured_before(request: CheckRequest, memory: str | None) -> StageChecked | None:
    """The newest check after setup that had a read, and that no blanking came after."""
    job = request.opened.job
    last = max((made.number for made in job.blankings if made.memory == memory), default=0)
    found = [
        check
        for check in job.stage_checks
        if check.stage is Stage.AFTER_SETUP and check.sha256 and check.number > last
    ]
    return _as_decided(job, found[-1]) if found else None


def _as_decided(job: Job, checked: StageChecked) -> StageChecked:
    """That check with the verdict that it has now, out of date included."""
    return replace(checked, verdict=standing_of(job, checked).verdict)
