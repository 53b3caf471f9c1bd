"""Stage `before-writing`: the file, the module's backup, and what the job guards."""

from __future__ import annotations

from memtool.core.chip import find_chip
from memtool.core.health.all_checks import find_faults
from memtool.core.job.stages.before_writing import check_blanked_file, check_transfer
from memtool.core.role import Role
from memtool.store.backups import BackupStore
from memtool.workflow.guards import find_guards
from memtool.workflow.jobs import load_role
from memtool.workflow.stages.images import (
    donor_of,
    judging_layout,
    load_from_outside,
    load_image,
)
from memtool.workflow.stages.request import Answer, CheckRequest


def judge_before_writing(request: CheckRequest, store: BackupStore, memory: str | None) -> Answer:
    """Judge the file to program, by the route that it belongs to."""
    file = load_image(request, store, memory, request.name or "to-write")
    target = None
    if request.target is not None:
        target = load_from_outside(request, store, memory, request.target).image
    original = load_role(request.opened, store, Role.ORIGINAL, memory)
    found = load_role(request.opened, store, Role.DONOR, memory)
    guards = find_guards(
        request.opened, store, memory, request.layout, found[1].image if found else None
    )
    if original is not None and file.image == original[1].image:
        checks = check_transfer(
            job=request.opened.job,
            file=file.image,
            original_reads=original[0],
            original_health=find_faults(
                file.image, chip=find_chip(original[0].chip), layout=judging_layout(request)
            ),
            donor=found[1].image if found else None,
            donor_reads=found[0] if found else None,
            receipt=store.require_receipt(found[0].backup) if found else None,
            target=target,
            layout=judging_layout(request),
            bans=guards.bans,
        )
        return checks, file
    blanking = request.opened.job.blanking_of(file.image.sha256())
    donor_reads, donor = donor_of(request, store, memory, blanking)
    checks = check_blanked_file(
        file=file.image,
        donor=donor.image,
        donor_reads=donor_reads,
        newest=request.opened.job.newest_backup(Role.DONOR, memory) or donor_reads,
        receipt=store.require_receipt(donor_reads.backup),
        blanking=blanking,
        target=target,
        layout=judging_layout(request),
        guards=guards,
    )
    return checks, file
