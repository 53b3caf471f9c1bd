"""What is open, in sentences for a customer; `report_proof` has the same points for the bench.

A check is named by what it looks at. Points that say the same of several memories are one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from memtool.core.finding import Verdict
from memtool.core.job.job import Job
from memtool.core.job.stage import Stage
from memtool.core.report.report import ReportStage
from memtool.core.report.report_proof import (
    find_counting,
    is_transfer,
    list_missing_facts,
    newest_backups,
)
from memtool.core.role import Role

MODULES = {
    Role.ORIGINAL: "old module",
    Role.DONOR: "used module",
    Role.REFERENCE: "new module for comparison",
}
"""What a customer calls each module."""
_STAGES = {
    Stage.DONOR: "whether the used module fits",
    Stage.BEFORE_WRITING: "the prepared content, before programming",
    Stage.AFTER_WRITING: "the module, after programming",
    Stage.AFTER_SETUP: "the module, after the maker's setup procedure",
    Stage.RESTORED: "whether the module holds its earlier content again",
}
"""What the checks of a stage look at together."""
_READING = "whether the memories were read without errors"
_WHOSE = "which of the two modules each reading came from"
_OWN_NUMBERS = "the serial, part and software numbers stored in the two modules"
_MEMORIES = "whether both modules have the same memory"
_CONTENT = "the content of the two memories against each other"
_CHECKSUMS = "the checksums by which the module tests its own memory"
_CONFIGURATION = "the equipment settings of the vehicle"
_OLD_VIN = "whether traces of the earlier vehicle are left"
_VIN = "whether every VIN in the module is this vehicle's"
_PREPARED = "whether the prepared content is the right one for this module"
_PROTECTED = "the areas for keys, mileage and crash data"
_CHANGES = "places in the memory that changed, other than planned"
_AGE = "how old the reading of the used module is"
ABOUT = {
    **dict.fromkeys(("reads", "health", "sound-read"), _READING),
    **dict.fromkeys(("two-modules", "same-image", "donor-is-vehicles"), _WHOSE),
    **dict.fromkeys(("module-identity", "module-identity-equal"), _OWN_NUMBERS),
    **dict.fromkeys(("same-memory", "same-chip"), _MEMORIES),
    **dict.fromkeys(("same-code", "same-calibration", "code-equal", "calibration-equal"), _CONTENT),
    **dict.fromkeys(("texts", "moved-content", "equal-content", "vin-places"), _CONTENT),
    **dict.fromkeys(("checksum", "checksums"), _CHECKSUMS),
    **dict.fromkeys(("configuration", "same-configuration", "configuration-equal"), _CONFIGURATION),
    **dict.fromkeys(
        ("leftovers", "no-leftover", "no-vin", "donor-identity", "stranger-beside"), _OLD_VIN
    ),
    **dict.fromkeys(("vins", "measured", "reported-vin", "vehicle-vin", "no-new-identity"), _VIN),
    **dict.fromkeys(
        ("fits", "made-here", "backup", "module-kind", "route", "target", "only-planned"), _PREPARED
    ),
    **dict.fromkeys(("read-areas", "protected-equal", "carried-along"), _PROTECTED),
    **dict.fromkeys(("changed-bytes", "counters", "state-equal"), _CHANGES),
    **dict.fromkeys(("read-time", "earlier-job", "baseline"), _AGE),
    "two-serials": "whether all readings came from one module",
    "copied-read": "whether each module was really read more than once",
    "part-number": "whether the part numbers go together",
    "original-identity": "whether the old module belongs to this vehicle",
    "read-back": "whether the module holds exactly what was to be programmed",
    "restored": "whether the module holds its earlier content again",
    "codes": "the fault codes after the work",
    "mileage": "the mileage that the module counts",
    "function-test": "the function test on the vehicle",
    "qualified-work": "who is qualified for this work, and by which procedure it is done",
}
"""What each check looks at, by its code, as a customer would say it."""
_LEADS = {
    Verdict.DECIDE: "For a person to decide",
    Verdict.NOT_CHECKED: "Not checked",
    Verdict.FAIL: "Check failed",
}


def tell_points(job: Job, stages: Sequence[ReportStage]) -> tuple[str, ...]:
    """What failed, then what was not done, not checked or is left to a person; each once."""
    points = [
        *_of_reads(job),
        *list_missing_facts(job, donor=f"the {MODULES[Role.DONOR]}"),
        *_of_files(job),
    ]
    for item in stages:
        points += _of_stage(item)
    # Page one has room for a few: what failed must be among them.
    return tuple(sorted(dict.fromkeys(points), key=_is_no_failure))


def _is_no_failure(point: str) -> bool:
    return not point.startswith(_LEADS[Verdict.FAIL])


def _of_reads(job: Job) -> Iterator[str]:
    if job.original_unreadable:
        yield f"The old module could not be read: {job.original_unreadable.rstrip('.')}."
    elif not job.backups_of(Role.ORIGINAL):
        yield "The old module was not read."
    if not job.backups_of(Role.DONOR) and not job.is_follow_up:
        yield "No used module was read."
    for backup in newest_backups(job):
        module = MODULES[backup.role]
        if backup.voted is not None:
            yield (
                f"The readings of the {module} differed; for each place the value that most of them"
                " gave was taken."
            )
        elif backup.agree is None:
            reason = backup.single_read_reason or "no reason on record"
            yield f"The {module} was read only once: {reason.rstrip('.')}."
        elif not job.reads_agree(backup):
            yield f"The readings of the {module} differ from each other."
    for read in job.withdrawn:
        yield (
            f"One reading of the {MODULES[read.role]} was withdrawn and does not count:"
            f" {read.reason.rstrip('.')}."
        )
    if any(area.how == "not-read" for area in job.settled):
        yield "A part of the memory could not be read; it stays in the module as it is."
    if any(area.how != "not-read" for area in job.settled):
        yield "A part of the memory reads as empty; a person judged that it is."
    for release in job.releases:
        yield f"{release.name} judged that a part of the memory need not be protected."


def _of_files(job: Job) -> Iterator[str]:
    if not job.blankings and not is_transfer(job) and not job.is_follow_up:
        yield "Nothing was prepared for programming."
    if any(made.layout is None for made in find_counting(job)):
        yield f"{_LEADS[Verdict.NOT_CHECKED]}: {_CHECKSUMS}."


def _of_stage(item: ReportStage) -> Iterator[str]:
    what = _STAGES[item.stage]
    if item.done is None:
        yield f"{_LEADS[Verdict.NOT_CHECKED]}: {what}."
        return
    if item.changed:
        yield f"To be checked again, since something changed: {what}."
        return
    for point in item.points:
        lead = _LEADS.get(point.check.result)
        if lead is not None and (point.is_open or point.check.result is not Verdict.DECIDE):
            yield f"{lead}: {ABOUT.get(point.check.code, what)}."
