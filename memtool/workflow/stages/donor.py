"""Stage `donor`: both modules' reads, compared."""

from __future__ import annotations

from memtool.core.chip import find_chip
from memtool.core.health.all_checks import find_faults
from memtool.core.job.stages.baseline import check_taken_over
from memtool.core.job.stages.donor import check_donor
from memtool.core.job.stages.read_areas import check_read_areas
from memtool.core.job.whose import check_whose
from memtool.core.role import Role
from memtool.store.backups import BackupStore
from memtool.workflow.guards import find_guarded_of, find_reads
from memtool.workflow.jobs import load_role
from memtool.workflow.stages.images import judged_part, judging_layout, require_read
from memtool.workflow.stages.request import Answer, CheckRequest


def judge_donor(request: CheckRequest, store: BackupStore, memory: str | None) -> Answer:
    """Compare the donor's reads with the original's and with the order."""
    donor_reads, donor = require_read(request, store, Role.DONOR, memory)
    original = load_role(request.opened, store, Role.ORIGINAL, memory)
    checks = check_donor(
        order=request.opened.job.order,
        donor=judged_part(request, memory, donor.image),
        donor_reads=donor_reads,
        donor_health=find_faults(
            donor.image, chip=find_chip(donor_reads.chip), layout=judging_layout(request)
        ),
        original=judged_part(request, memory, original[1].image) if original else None,
        original_reads=original[0] if original else None,
        layout=judging_layout(request),
        not_read=request.opened.job.not_read(memory),
    )
    whose = check_whose(
        find_reads(request.opened, store, memory),
        vehicle_vin=request.opened.job.order.vehicle_vin,
    )
    job = request.opened.job
    areas = check_read_areas(
        donor.image,
        find_guarded_of(request.opened, memory, request.layout, donor.image),
        job.settled_in(memory, donor_reads.sha256),
    )
    return (*whose, *check_taken_over(job.taken_over), *checks, *areas), donor
