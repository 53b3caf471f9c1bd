"""The rules of the gate that ask the job: who allowed it, what module it is, which backup."""

from __future__ import annotations

from memtool.core.finding import Severity
from memtool.core.job.bans import find_bans
from memtool.core.job.gate_question import Answer, GateQuestion
from memtool.core.job.order import AlsoHolds, says_nothing
from memtool.core.layouts.region import RegionKind
from memtool.core.role import Role
from memtool.core.words import spaced


def open_job(question: GateQuestion) -> Answer:
    """Rule `open-job`."""
    return None if question.job else "there is no open job here"


def authority(question: GateQuestion) -> Answer:
    """Rule `authority`."""
    if question.job and not says_nothing(question.job.order.authority):
        return None
    return "the job has no record of the proof of ownership and the written order"


def vehicle_vin(question: GateQuestion) -> Answer:
    """Rule `vehicle-vin`."""
    if question.job and question.job.order.vehicle_vin:
        return None
    return "the job has no record of the vehicle's VIN"


def module_kind(question: GateQuestion) -> Answer:
    """Rule `module-kind`."""
    if question.job is None or question.job.order.module_kind is None:
        return "the job has no record of what kind of module this is"
    bans = find_bans(question.job, (*question.named, *question.used))
    if not bans:
        return None
    return f"{bans[0]}, and such a module is never blanked"


def also_holds(question: GateQuestion) -> Answer:
    """Rule `also-holds`."""
    held = question.job.order.also_holds if question.job else None
    asked = [word for word in (AlsoHolds.KEYS, AlsoHolds.CRASH_DATA) if word in (held or ())]
    if not asked:
        return None
    layout = question.layout
    if layout is not None and layout.reviewed and layout.regions_of(RegionKind.PROTECTED):
        if AlsoHolds.CRASH_DATA not in asked or _is_crash_data_protected(question):
            return None
        return "the module holds crash data too, and no protected region is named crash data"
    what = " and ".join(map(spaced, asked))
    lies = "no layout says" if layout is None else "the layout does not say"
    return f"the module holds {what} too, and {lies} where they lie"


def _is_crash_data_protected(question: GateQuestion) -> bool:
    """Whether a reviewed layout of any memory says where: other regions may be the keys'."""
    return any(
        region.kind is RegionKind.PROTECTED and "crash" in region.name.casefold()
        for layout in (*question.named, *question.used)
        if layout.reviewed
        for region in layout.regions
    )


def donor_backup(question: GateQuestion) -> Answer:
    """Rule `donor-backup`."""
    if question.reads is None or question.reads.role is not Role.DONOR:
        return "this image is not backed up as the donor of this job"
    if question.receipt is None:
        return "the donor's backup was not verified in this run"
    if question.receipt.image_sha256 != question.image.sha256():
        return "the donor's backup holds a different image"
    if question.receipt.entry.role is not Role.DONOR:
        return "the backup is not one of a donor"
    return None


def reads_agree(question: GateQuestion) -> Answer:
    """Rule `reads-agree`."""
    if question.receipt is None:
        return "without a backup it is not known whether the reads are identical"
    entry = question.receipt.entry
    job, reads = question.job, question.reads
    # The journal's own word counts only where it noted the same: that they differ, and where.
    apart = bool(job and reads and reads.agree is False and job.reads_agree(reads))
    if entry.agree is False and not apart:
        return "the donor's reads are not identical"
    if entry.agree is None and says_nothing(entry.single_read_reason):
        return "there is a single read of the donor, and no reason for that on record"
    return None


def sound_read(question: GateQuestion) -> Answer:
    """Rule `sound-read`."""
    for finding in question.health:
        if finding.severity is Severity.FAILURE:
            return f"the read is bad: {finding.text.rstrip('.')}"
    return None
