"""The four stages of `check`: find the images, ask the stage, record the answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from memtool.core.backup import Role
from memtool.core.chip import find_chip
from memtool.core.finding import Check
from memtool.core.health.all_checks import find_health
from memtool.core.image import Image
from memtool.core.job import (
    Blanking,
    KeptReads,
    Stage,
    StageCheck,
    StageVerdict,
    checks_to_facts,
)
from memtool.core.layouts.layout import Layout
from memtool.core.stages.after_setup import check_finished, check_reported
from memtool.core.stages.after_writing import check_read_back
from memtool.core.stages.answers import compute_verdict
from memtool.core.stages.before_writing import check_blanked_file, check_transfer
from memtool.core.stages.donor import check_donor
from memtool.errors import UsageError
from memtool.store.backups import BackupStore
from memtool.store.writing import write_new
from memtool.workflow.blank import SUFFIXES
from memtool.workflow.jobs import (
    FILES,
    OpenJob,
    free_path,
    load_kept,
    load_named,
    load_role,
    name_in_record,
    only_chip,
    record,
    relative_to_job,
)
from memtool.workflow.loading import LoadedRead, ReadOptions


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckOrder:
    """What the person asked for."""

    opened: OpenJob
    stage: Stage | None
    """None: inferred from the job."""
    name: str | None
    """Path or job name of the file to check; None: the stage's own."""
    target: str | None = None
    reported_vins: tuple[str, ...] = ()
    codes: str | None = None
    layout: Layout | None = None
    chip: str | None = None
    options: ReadOptions = field(default_factory=ReadOptions)


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """One stage, checked and recorded."""

    opened: OpenJob
    stage: Stage
    inferred: bool
    verdict: StageVerdict
    checks: tuple[Check, ...]
    subject: str | None


def infer_stage(order: CheckOrder) -> Stage:
    """The stage that the job has come to.

    Reported values belong to `after-setup`. Without a file to write it is `donor`; with
    one that was not judged yet, `before-writing`; then `after-writing` until a read-back
    was equal, then `after-setup`.
    """
    job = order.opened.job
    if order.reported_vins or order.codes is not None:
        return Stage.AFTER_SETUP
    chip = only_chip(order.opened, order.chip)
    made = [item for item in job.blankings if item.chip == chip]
    if not made:
        return Stage.DONOR
    since = [item for item in job.stage_checks if item.number > made[-1].number]
    good = (StageVerdict.PASS, StageVerdict.INCOMPLETE, StageVerdict.ONLY_COUNTERS_DIFFER)
    if not any(item.stage is Stage.BEFORE_WRITING and item.verdict in good for item in since):
        return Stage.BEFORE_WRITING
    if not any(item.stage is Stage.AFTER_WRITING and item.verdict in good for item in since):
        return Stage.AFTER_WRITING
    return Stage.AFTER_SETUP


def check_stage(order: CheckOrder, store: BackupStore, *, now: datetime) -> Checked:
    """Check one stage and put the answer, and a copy of the read, into the job.

    Raises:
        UsageError: what the stage needs is not there.
        StoreError: a backup is lost or damaged.
    """
    stage = order.stage or infer_stage(order)
    chip = only_chip(order.opened, order.chip)
    match stage:
        case Stage.DONOR:
            checks, subject = _donor(order, store, chip)
        case Stage.BEFORE_WRITING:
            checks, subject = _before_writing(order, store, chip)
        case Stage.AFTER_WRITING:
            checks, subject = _after_writing(order, store, chip)
        case Stage.AFTER_SETUP:
            checks, subject = _after_setup(order, store, chip)
    verdict = compute_verdict(checks)
    opened = _record(order, stage, chip, verdict, checks, subject, now)
    return Checked(
        opened=opened,
        stage=stage,
        inferred=order.stage is None,
        verdict=verdict,
        checks=checks,
        subject=subject.path if subject else None,
    )


_Answer = tuple[tuple[Check, ...], LoadedRead | None]


def _donor(order: CheckOrder, store: BackupStore, chip: str | None) -> _Answer:
    donor_reads, donor = _require_role(order, store, Role.DONOR, chip)
    original = load_role(order.opened, store, Role.ORIGINAL, chip)
    checks = check_donor(
        order=order.opened.job.order,
        donor=donor.image,
        donor_reads=donor_reads,
        donor_health=find_health(
            donor.image, chip=find_chip(donor_reads.chip), layout=order.layout
        ),
        original=original[1].image if original else None,
        original_reads=original[0] if original else None,
        layout=order.layout,
    )
    return checks, donor


def _before_writing(order: CheckOrder, store: BackupStore, chip: str | None) -> _Answer:
    file = _load(order, store, chip, order.name or "to-write")
    target = _load(order, store, chip, order.target).image if order.target else None
    original = load_role(order.opened, store, Role.ORIGINAL, chip)
    found = load_role(order.opened, store, Role.DONOR, chip)
    if original is not None and file.image == original[1].image:
        checks = check_transfer(
            job=order.opened.job,
            file=file.image,
            original_reads=original[0],
            original_health=find_health(
                file.image, chip=find_chip(original[0].chip), layout=order.layout
            ),
            donor=found[1].image if found else None,
            donor_reads=found[0] if found else None,
            receipt=store.require_receipt(found[0].backup) if found else None,
            target=target,
            layout=order.layout,
        )
        return checks, file
    blanking = order.opened.job.blanking_of(file.image.sha256())
    donor_reads, donor = _donor_of(order, store, chip, blanking)
    checks = check_blanked_file(
        file=file.image,
        donor=donor.image,
        donor_reads=donor_reads,
        receipt=store.require_receipt(donor_reads.backup),
        blanking=blanking,
        target=target,
        layout=order.layout,
    )
    return checks, file


def _after_writing(order: CheckOrder, store: BackupStore, chip: str | None) -> _Answer:
    if order.name is None:
        raise UsageError(
            "the read that was made after writing is not named",
            code="missing-answer",
            next_step="read the module again and give that file",
        )
    read_back = _load(order, store, chip, order.name)
    intended, blanking = _intended(order, store, chip)
    reads, before = _donor_of(order, store, chip, blanking)
    checks = check_read_back(
        intended=intended,
        read_back=read_back.image,
        before=before.image,
        edited=tuple(edit.span for edit in blanking.edits) if blanking else (),
        layout=order.layout,
        chip=find_chip(reads.chip),
    )
    return checks, read_back


def _intended(
    order: CheckOrder, store: BackupStore, chip: str | None
) -> tuple[Image, Blanking | None]:
    """What was to be written: the file judged last, or the newest file to write."""
    judged = order.opened.job.latest_check(Stage.BEFORE_WRITING, chip)
    original = load_role(order.opened, store, Role.ORIGINAL, chip)
    if judged and original and judged.sha256 == original[1].image.sha256():
        return original[1].image, None
    loaded = _load(order, store, chip, "to-write")
    return loaded.image, order.opened.job.blanking_of(loaded.image.sha256())


def _after_setup(order: CheckOrder, store: BackupStore, chip: str | None) -> _Answer:
    job = order.opened.job
    vin = job.order.vehicle_vin
    if vin is None:
        raise UsageError(
            "the job does not record the vehicle's VIN",
            code="missing-answer",
            next_step="record it with 'benchimage start --vehicle-vin VIN'",
        )
    if order.name is None and not order.reported_vins and order.codes is None:
        raise UsageError(
            "nothing is given to check",
            code="missing-answer",
            next_step="give a read of the module, or --reported-vin and --codes",
        )
    checks: tuple[Check, ...] = ()
    read = None
    if order.name is not None:
        read = _load(order, store, chip, order.name)
        donor = load_role(order.opened, store, Role.DONOR, chip)
        original = load_role(order.opened, store, Role.ORIGINAL, chip)
        identities = {text for item in job.blankings for text in item.identities}
        checks += check_finished(
            vehicle_vin=vin,
            read=read.image,
            donor=donor[1].image if donor else None,
            original=original[1].image if original else None,
            identities=sorted(identities),
            layout=order.layout,
            health=find_health(
                read.image,
                chip=find_chip(chip) if chip else None,
                layout=order.layout,
                vin_texts=(vin,),
            ),
        )
    if order.reported_vins or order.codes is not None:
        checks += check_reported(
            vehicle_vin=vin,
            vins=order.reported_vins,
            codes=order.codes,
            measured=None if read is not None else _measured_before(order, chip),
            is_measured=read is not None,
        )
    return checks, read


def _measured_before(order: CheckOrder, chip: str | None) -> StageCheck | None:
    """The newest check after setup that had a read, and that no blanking came after."""
    job = order.opened.job
    last = max((made.number for made in job.blankings if made.chip == chip), default=0)
    found = [
        check
        for check in job.stage_checks
        if check.stage is Stage.AFTER_SETUP and check.sha256 and check.number > last
    ]
    return found[-1] if found else None


def _require_role(
    order: CheckOrder, store: BackupStore, role: Role, chip: str | None
) -> tuple[KeptReads, LoadedRead]:
    found = load_role(order.opened, store, role, chip)
    if found is None:
        raise UsageError(
            f"this job keeps no read of the {role}",
            code="no-such-role",
            next_step=f"add its reads with 'benchimage start --{role} READ'",
        )
    return found


def _donor_of(
    order: CheckOrder, store: BackupStore, chip: str | None, blanking: Blanking | None
) -> tuple[KeptReads, LoadedRead]:
    """The donor backup that a blanking was made from; without one the newest."""
    for kept in order.opened.job.reads_of(Role.DONOR, chip):
        if blanking is not None and kept.backup == blanking.backup:
            return kept, load_kept(store, kept)[1]
    return _require_role(order, store, Role.DONOR, chip)


def _load(order: CheckOrder, store: BackupStore, chip: str | None, name: str) -> LoadedRead:
    return load_named(name, order.options, opened=order.opened, store=store, chip=chip)


def _record(
    order: CheckOrder,
    stage: Stage,
    chip: str | None,
    verdict: StageVerdict,
    checks: Sequence[Check],
    subject: LoadedRead | None,
    now: datetime,
) -> OpenJob:
    """Keep a copy of a read that came from outside the job, and write the entry."""
    copy: Path | None = None
    if subject is not None and stage in (Stage.AFTER_WRITING, Stage.AFTER_SETUP):
        stem = f"{stage.value}-{chip or 'read'}"
        copy = free_path(order.opened.folder / FILES, stem, SUFFIXES[subject.format])
        write_new(copy, subject.data)
    facts = {
        "stage": stage.value,
        "chip": chip,
        "verdict": verdict.value,
        "checks": checks_to_facts(checks),
        "subject": name_in_record(order.opened, Path(subject.path)) if subject else None,
        "sha256": subject.image.sha256() if subject else None,
        "copy": relative_to_job(order.opened, copy) if copy else None,
        "reported_vins": list(order.reported_vins),
        "codes": order.codes,
    }
    files = [(subject.path, subject.file_sha256)] if subject else []
    return record(order.opened, "stage-checked", facts, files=files, now=now)
