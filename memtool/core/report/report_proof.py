"""What a job has proven and what it has not, from its journal alone.

Rules
-----
1. A check counts for the newest file to program of its chip only if it came after it.
2. What was reported by a scan tool is never called measured.
3. What is not on record is named as an open point; nothing is taken for granted.
4. The sentence on top is no better than the worst chip and the newest checks allow.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from memtool.core.finding import Verdict
from memtool.core.job.decisions import tell_decided
from memtool.core.job.events.kinds import ImageBlanked, ReadsBackedUp
from memtool.core.job.events.memory_kinds import ReadsTakenOver
from memtool.core.job.job import Job
from memtool.core.job.parts import Part, PartState, is_transferred, list_parts
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.job.stages.baseline import check_taken_over
from memtool.core.job.standing import find_standing, stages_of, tell_changed
from memtool.core.report.report import ProofLine, ReportStage
from memtool.core.role import Role
from memtool.core.span import format_span
from memtool.core.words import identical_reads, tell_reads

_STAGE_CLAIMS = {
    Stage.DONOR: "The donor passed its check as a replacement.",
    Stage.BEFORE_WRITING: "The file passed its check before writing.",
    Stage.AFTER_WRITING: "Read after programming, the module holds exactly the file.",
    Stage.AFTER_SETUP: "After setup, every VIN in the module is the vehicle's.",
    Stage.RESTORED: "The module holds its backup again: it was given back as received.",
}
_BLANKING_CLAIMS = (
    ("donor-backup", "The donor's backup was verified in the same run that changed the image."),
    ("only-planned", "Only planned bytes differ from the donor's backup."),
    ("no-leftover", "No unexplained trace of the removed VIN remains."),
    ("protected-untouched", "Protected and module-identity regions were not touched."),
)
_RESULTS = {StageVerdict.PASS: Verdict.PASS, StageVerdict.FAIL: Verdict.FAIL}


def newest_backups(job: Job) -> tuple[ReadsBackedUp, ...]:
    """The newest backup of each role and memory, by role."""
    newest = {(backup.role, backup.memory): backup for backup in job.backups}
    order = list(Role)
    return tuple(
        newest[key] for key in sorted(newest, key=lambda key: (order.index(key[0]), key[1] or ""))
    )


def find_counting(job: Job) -> tuple[ImageBlanked, ...]:
    """The file to program that counts for each memory: the one the module holds, or the newest.

    A file that was made anew before it was written changed no byte of any module.
    """
    found = []
    for memory in job.memories:
        made = job.blankings_of(memory)
        taken = [
            check.judged.file
            for check in job.stage_checks
            if check.stage is Stage.AFTER_WRITING
            and check.memory == memory
            and check.verdict in (StageVerdict.PASS, StageVerdict.ONLY_COUNTERS_DIFFER)
        ]
        held = [each for each in made if taken and each.sha256 == taken[-1]]
        found += (held or list(made))[-1:]
    return tuple(sorted(found, key=lambda blanking: blanking.number))


def find_stages(job: Job) -> tuple[ReportStage, ...]:
    """The newest check of every stage, memory by memory."""
    memories = job.memories
    left_out = {part.memory for part in find_left_out(job)}
    stages = []
    for memory in memories or (None,):
        is_left_out = memory is not None and memory in left_out
        for stage in stages_of(job):
            standing = find_standing(job, stage, memory)
            if standing is None and is_left_out:
                continue
            stages.append(
                ReportStage(
                    stage=stage,
                    chip=job.label_of(memory) if memory and len(memories) > 1 else None,
                    done=standing.check if standing else None,
                    changed=standing.changed if standing else (),
                    points=standing.points if standing else (),
                )
            )
    return tuple(stages)


def find_left_out(job: Job) -> tuple[Part, ...]:
    """The memories that are not part of this job; none where that would be all of them."""
    parts = list_parts(job)
    left = tuple(part for part in parts if part.state is PartState.NOT_PART)
    return left if len(left) < len(parts) else ()


def is_transfer(job: Job) -> bool:
    """Whether the original's own image is what the module is to hold."""
    return not job.blankings and any(is_transferred(job, memory) for memory in job.memories)


def tell_result(job: Job, stages: Sequence[ReportStage]) -> str:
    """The outcome in one sentence, by rule 4."""
    if is_given_back(job, stages):
        return "The module was given back as received: it holds its backup again, byte for byte."
    if job.function_tests and not job.function_tests[-1].ok:
        return "The work is not finished: the test on the vehicle was not passed."
    if any(_failed(item) for item in stages if item.stage is Stage.AFTER_SETUP):
        return "The work is not finished: a check after setup failed."
    if any(_failed(item) for item in stages if item.stage is Stage.AFTER_WRITING):
        return "The work is not finished: the module does not hold what was to be written."
    finished = [counting_verdict(item) for item in stages if item.stage is Stage.AFTER_SETUP]
    if all(verdict is StageVerdict.PASS for verdict in finished):
        if all(is_measured(item) for item in stages if item.stage is Stage.AFTER_SETUP):
            return "The module is configured for this vehicle, and every check after setup passed."
        return (
            "A scan tool reports the vehicle's VIN; the module's memory was not read after setup."
        )
    if all(finished):
        return "The module was checked after setup; some points are open, listed below."
    written = [counting_verdict(item) for item in stages if item.stage is Stage.AFTER_WRITING]
    good = (StageVerdict.PASS, StageVerdict.ONLY_COUNTERS_DIFFER)
    if all(verdict in good for verdict in written):
        return "The module was written as planned; its configuration was not checked yet."
    if any(finished) or any(written):
        return "Some of the module's memories were checked; the others are listed below."
    if is_transfer(job):
        return "The original's own content is what the module is to hold; no identity was removed."
    if job.blankings:
        return "A file to program was made; whether it was programmed is not on record."
    if not job.backups:
        return "The order is on record; no module was read and nothing was changed."
    return "The modules were read and backed up; nothing was changed."


def is_given_back(job: Job, stages: Sequence[ReportStage]) -> bool:
    """Whether every memory for which a file was made holds its backup again since."""
    last = {made.memory: made.number for made in job.blankings}
    back = [item for item in stages if item.stage is Stage.RESTORED]
    asked = [
        item
        for item in back
        if item.done is not None
        or item.chip is None
        or any(job.label_of(memory or "") == item.chip for memory in last)
    ]
    return bool(asked) and all(
        item.done is not None
        and counting_verdict(item) is StageVerdict.PASS
        and item.done.number > max(last.values(), default=0)
        for item in asked
    )


def tell_identity_now(job: Job, stages: Sequence[ReportStage]) -> str:
    """Which VIN the module holds, and how that is known."""
    done = [item.done for item in stages if item.stage is Stage.AFTER_SETUP and item.done]
    stale = any(item.changed for item in stages if item.stage is Stage.AFTER_SETUP)
    vin = job.order.vehicle_vin or "the vehicle's VIN"
    if not done or stale:
        return "Not known: the module was not checked after setup."
    checks = [check for stage in done for check in stage.checks]
    measured = [check for check in checks if check.code == "vins"]
    reported = [check for check in checks if check.code == "reported-vin"]
    if measured and all(check.result is Verdict.PASS for check in measured):
        return f"{vin}, measured: {' '.join(check.text for check in measured)}"
    if measured:
        return f"Not only the vehicle's: {' '.join(check.text for check in measured)}"
    if reported and all(check.result is Verdict.PASS for check in reported):
        return f"{vin}, as a scan tool reports; it was not measured."
    if reported:
        return "A scan tool reports another VIN than the vehicle's; it was not measured."
    return "Not known: no VIN was read or reported after setup."


def list_proof(job: Job, stages: Sequence[ReportStage]) -> tuple[ProofLine, ...]:
    """Every claim that the file makes, with its result."""
    lines = [
        ProofLine(
            text=f"The {backup.role} ({backup.chip}) is backed up: {_reads_words(job, backup)}.",
            result=_agreement_result(job.reads_agree(backup)),
            source=f"journal entry {backup.number}",
        )
        for backup in newest_backups(job)
    ]
    if job.taken_over is not None:
        lines.insert(0, _taken_over_line(job.taken_over))
    for blanking in _newest_blankings(job):
        chip = job.label_of(blanking.memory or "") if len(job.memories) > 1 else None
        lines += _blanking_lines(blanking, chip)
    lines += [_left_out_line(job, part) for part in find_left_out(job)]
    return (*lines, *(_stage_line(item) for item in stages))


def _taken_over_line(taken: ReadsTakenOver) -> ProofLine:
    """Where the reads of this job come from."""
    (answer,) = check_taken_over(taken)
    return ProofLine(
        text=answer.text,
        result=Verdict.PASS if taken.sitting is not None else Verdict.NOT_CHECKED,
        source=f"journal entry {taken.number}",
    )


def _left_out_line(job: Job, part: Part) -> ProofLine:
    """A memory that nothing was written to; whether it is equal was compared, if it was read."""
    is_equal = job.newest_backup(Role.DONOR, part.memory) is not None
    return ProofLine(
        text=f"{job.label_of(part.memory)} is not part of this job: {part.reason.rstrip('.')}.",
        result=Verdict.PASS if is_equal else Verdict.NOT_CHECKED,
        source="the backups" if is_equal else "as declared",
    )


def _agreement_result(agree: bool | None) -> Verdict:
    if agree is None:
        return Verdict.NOT_CHECKED
    return Verdict.PASS if agree else Verdict.FAIL


def _blanking_lines(blanking: ImageBlanked, chip: str | None) -> Iterator[ProofLine]:
    where = f" ({chip})" if chip else ""
    for code, text in _BLANKING_CLAIMS:
        found = [check.result for check in blanking.checks if check.code == code]
        result = Verdict.NOT_CHECKED if not found else found[-1]
        source = f"journal entry {blanking.number}{where}"
        if code == "protected-untouched" and blanking.layout is None:
            result, source = Verdict.NOT_CHECKED, f"{source}: no layout names these regions"
        yield ProofLine(text=text, result=result, source=source)


def _stage_line(item: ReportStage) -> ProofLine:
    text = _STAGE_CLAIMS[item.stage]
    where = f" ({item.chip})" if item.chip else ""
    if item.done is None:
        return ProofLine(text=text, result=Verdict.NOT_CHECKED, source=f"not on record{where}")
    source = f"journal entry {item.done.number}{where}"
    if item.changed:
        source += f", out of date: {tell_changed(item.changed)}"
        return ProofLine(text=text, result=Verdict.OUT_OF_DATE, source=source)
    if item.verdict is StageVerdict.ONLY_COUNTERS_DIFFER:
        source += ": apart from counters"
    elif item.verdict is StageVerdict.INCOMPLETE:
        source += ": no check failed; some points are open"
    decided = tell_decided(item.points)
    if decided:
        source += f", {decided}"
    if item.stage is Stage.AFTER_SETUP:
        source += ", measured" if is_measured(item) else ", reported by a scan tool, not measured"
    result = _RESULTS.get(item.verdict or item.done.verdict, Verdict.NOT_CHECKED)
    if result is Verdict.NOT_CHECKED and any(point.is_open for point in item.points):
        result = Verdict.DECIDE
    return ProofLine(text=text, result=result, source=source)


def list_open_points(job: Job, stages: Sequence[ReportStage]) -> tuple[str, ...]:
    """What was not done, not checked, or is left to a person."""
    points = [
        *_missing_reads(job),
        *_withdrawn_reads(job),
        *_settled_areas(job),
        *_released_regions(job),
        *list_missing_facts(job, donor="the donor"),
    ]
    if not job.blankings and not is_transfer(job) and not job.is_follow_up:
        points.append("No file to program was made by this job.")
    points += [
        f"Checksums of the file of entry {blanking.number} were not checked: no layout names them."
        for blanking in _newest_blankings(job)
        if blanking.layout is None
    ]
    for item in stages:
        points += _stage_points(item)
    return tuple(points)


def _missing_reads(job: Job) -> Iterator[str]:
    if job.original_unreadable:
        yield f"The original could not be read: {job.original_unreadable.rstrip('.')}."
    elif not job.backups_of(Role.ORIGINAL):
        yield "The original was not read."
    if not job.backups_of(Role.DONOR) and not job.is_follow_up:
        yield "The donor was not read."
    for backup in newest_backups(job):
        if backup.voted is not None:
            yield f"The image of the {backup.role} ({backup.chip}) was {backup.single_read_reason}."
        elif backup.agree is None:
            reason = backup.single_read_reason or "no reason on record"
            yield f"The {backup.role} ({backup.chip}) was read once: {reason.rstrip('.')}."
        elif not job.reads_agree(backup):
            yield f"The reads of the {backup.role} ({backup.chip}) differ from each other."


def _withdrawn_reads(job: Job) -> Iterator[str]:
    """Reads that do not count any more: the customer is told, too."""
    for read in job.withdrawn:
        chip = job.label_of(read.memory or "")
        yield (
            f"A read of the {read.role} ({chip}) was withdrawn and does not count, '{read.name}':"
            f" {read.reason.rstrip('.')}."
        )


_WHY = {
    "not-read": "could not be read, and stays as it is in the module",
    "second-method": "reads as one value throughout, and a second method of reading agrees",
    "empty": "reads as one value throughout; a person decided that it is really empty",
}


def _settled_areas(job: Job) -> Iterator[str]:
    for area in job.settled:
        shown = ", ".join(map(format_span, area.spans))
        said = "" if area.name is None else f" ({area.name})"
        chip = job.label_of(area.memory or "")
        yield f"{shown} of {chip} {_WHY[area.how]}{said}: {area.reason.rstrip('.')}."


def _released_regions(job: Job) -> Iterator[str]:
    for release in job.releases:
        chip = job.label_of(release.memory or "")
        yield (
            f"{release.name} reviewed the module identity at {format_span(release.span)} of {chip},"
            f" and it is no longer guarded: {release.reason.rstrip('.')}."
        )


def list_missing_facts(job: Job, *, donor: str) -> Iterator[str]:
    """What the order does not say.

    Args:
        job: The job.
        donor: How the reader calls the module that was bought.
    """
    order = job.order
    if order.authority is None:
        yield "Proof of ownership and the written order are not on record."
    if order.vehicle_vin is None:
        yield "The vehicle's VIN is not on record."
    if order.donor_source is None and job.backups_of(Role.DONOR):
        yield f"Where {donor} came from is not on record."


def _stage_points(item: ReportStage) -> Iterator[str]:
    where = f" of {item.chip}" if item.chip else ""
    name = f"{item.stage.value.replace('-', ' ')}{where}"
    if item.done is None:
        yield f"The check '{name}' was not made."
        return
    if item.changed:
        yield f"The check '{name}' is out of date ({tell_changed(item.changed)}): make it again."
        return
    for point in item.points:
        check = point.check
        if point.is_open:
            yield f"Check '{name}', for a person to decide: {check.text}"
        elif check.result is Verdict.NOT_CHECKED:
            yield f"Not checked, '{name}': {check.said}"
        elif check.result is Verdict.FAIL:
            yield f"Check '{name}' failed: {check.text}"


def tell_change(blanking: ImageBlanked, size: int | None) -> str:
    """What was changed, in plain words."""
    changed = blanking.edits.size
    if not changed:
        return "No byte had to be changed."
    whole = f" of {size:,}" if size else ""
    are = "byte was" if changed == 1 else "bytes were"
    identities = ", ".join(blanking.identities)
    went = f" The old identity {identities} was removed." if identities else ""
    return (
        f"{changed:,}{whole} {are} changed: {_listed_reasons(blanking)}.{went}"
        " All other bytes are the donor's own."
    )


def _listed_reasons(blanking: ImageBlanked) -> str:
    reasons = blanking.edits.told_reasons()
    # A name may hold a comma.
    shown = "; ".join(reasons[:8])
    return shown if len(reasons) <= 8 else f"{shown} and {len(reasons) - 8} more"


def _reads_words(job: Job, backup: ReadsBackedUp) -> str:
    if not backup.agree and job.reads_agree(backup):
        return f"{identical_reads(backup.read_count)}, apart from what the reader could not give"
    reads, why = backup.read_count, backup.single_read_reason
    return tell_reads(reads, agree=backup.agree, why_single=why)


def _newest_blanking(job: Job, memory: str | None) -> ImageBlanked | None:
    made = job.blankings_of(memory)
    return made[-1] if made else None


def _newest_blankings(job: Job) -> tuple[ImageBlanked, ...]:
    newest = (_newest_blanking(job, memory) for memory in job.memories)
    return tuple(blanking for blanking in newest if blanking is not None)


def counting_verdict(item: ReportStage) -> StageVerdict | None:
    """The verdict that counts; None where there is none."""
    return None if item.changed else item.verdict


def _failed(item: ReportStage) -> bool:
    return counting_verdict(item) is StageVerdict.FAIL


def is_measured(item: ReportStage) -> bool:
    """Whether a read of the module stands behind a check."""
    if item.done is None:
        return False
    measured = any(
        check.code == "measured" and check.result is Verdict.PASS for check in item.done.checks
    )
    return item.done.sha256 is not None or measured
