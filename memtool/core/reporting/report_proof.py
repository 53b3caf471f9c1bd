"""What a job has proven and what it has not, from its journal alone.

Rules
-----
1. A check counts for the newest file to write of its chip only if it came after it.
2. What was reported by a scan tool is never called measured.
3. What is not on record is named as an open point; nothing is taken for granted.
4. The sentence on top is no better than the worst chip and the newest checks allow.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from memtool.core.backup import Role
from memtool.core.finding import Verdict
from memtool.core.job import Blanking, Job, KeptReads, Stage, StageVerdict
from memtool.core.reporting.report import ProofLine, ReportStage

_STAGE_CLAIMS = {
    Stage.DONOR: "The donor was judged a fit replacement.",
    Stage.BEFORE_WRITING: "The file was judged before it was written.",
    Stage.AFTER_WRITING: "The module, read back, holds exactly the file.",
    Stage.AFTER_SETUP: "After setup every VIN is the vehicle's.",
}
_BLANKING_CLAIMS = (
    ("donor-backup", "The donor's backup was verified in the run that changed its image."),
    ("only-planned", "Only planned bytes differ from the donor's backup."),
    ("no-leftover", "No unexplained trace of the identity that went is left."),
    ("protected-untouched", "Protected and module-identity regions were not touched."),
)
_RESULTS = {StageVerdict.PASS: Verdict.PASS, StageVerdict.FAIL: Verdict.FAIL}


def newest_reads(job: Job) -> tuple[KeptReads, ...]:
    """The newest backup of each role and chip, by role."""
    newest = {(kept.role, kept.chip): kept for kept in job.reads}
    order = list(Role)
    return tuple(
        newest[key] for key in sorted(newest, key=lambda key: (order.index(key[0]), key[1]))
    )


def list_chips(job: Job) -> tuple[str, ...]:
    """Every chip of the job, by name."""
    chips = {kept.chip for kept in job.reads} | {blanking.chip for blanking in job.blankings}
    return tuple(sorted(chips))


def find_stages(job: Job) -> tuple[ReportStage, ...]:
    """The newest check of every stage, chip by chip."""
    chips = list_chips(job)
    stages = []
    for chip in chips or (None,):
        newest = _newest_blanking(job, chip)
        for stage in Stage:
            done = job.latest_check(stage, chip)
            stale = None
            if done and newest and stage is not Stage.DONOR and done.number < newest.number:
                stale = newest.number
            shown = chip if len(chips) > 1 else None
            stages.append(ReportStage(stage=stage, chip=shown, done=done, stale=stale))
    return tuple(stages)


def tell_result(job: Job, stages: Sequence[ReportStage]) -> str:
    """The outcome in one sentence, by rule 4."""
    if any(_failed(item) for item in stages if item.stage is Stage.AFTER_SETUP):
        return "The work is not finished: a check after setup failed."
    if any(_failed(item) for item in stages if item.stage is Stage.AFTER_WRITING):
        return "The work is not finished: the module does not hold what was to be written."
    finished = [_verdict(item) for item in stages if item.stage is Stage.AFTER_SETUP]
    if all(verdict is StageVerdict.PASS for verdict in finished):
        if all(_is_measured(item) for item in stages if item.stage is Stage.AFTER_SETUP):
            return "The module is configured for this vehicle, and every check after setup passed."
        return (
            "A scan tool reports the vehicle's VIN; the module's memory was not read after setup."
        )
    if all(finished):
        return "The module was checked after setup; some points are left open, named below."
    written = [_verdict(item) for item in stages if item.stage is Stage.AFTER_WRITING]
    good = (StageVerdict.PASS, StageVerdict.ONLY_COUNTERS_DIFFER)
    if all(verdict in good for verdict in written):
        return "The module was written as planned; its configuration was not checked yet."
    if any(finished) or any(written):
        return "Some of the module's memories were checked; the others are named below."
    if job.blankings:
        return "A file to write was made; that it was written is not on record."
    if not job.reads:
        return "The order is on record; no module was read and nothing was changed."
    return "The modules were read and backed up; nothing was changed."


def tell_identity_now(job: Job, stages: Sequence[ReportStage]) -> str:
    """Which VIN the module holds, and how that is known."""
    done = [item.done for item in stages if item.stage is Stage.AFTER_SETUP and item.done]
    stale = any(item.stale for item in stages if item.stage is Stage.AFTER_SETUP)
    vin = job.order.vehicle_vin or "the vehicle's VIN"
    if not done or stale:
        return "Not known: the module was not checked after setup."
    checks = [check for stage in done for check in stage.checks]
    measured = [check for check in checks if check.code == "vins"]
    reported = [check for check in checks if check.code == "reported-vin"]
    if measured and all(check.result is Verdict.PASS for check in measured):
        return f"{vin}, measured: {' '.join(check.text for check in measured)}"
    if measured:
        return f"Not the vehicle's alone: {' '.join(check.text for check in measured)}"
    if reported and all(check.result is Verdict.PASS for check in reported):
        return f"{vin}, as a scan tool reports; it was not measured."
    if reported:
        return "A scan tool reports another VIN than the vehicle's; it was not measured."
    return "Not known: no VIN was read or reported after setup."


def list_proof(job: Job, stages: Sequence[ReportStage]) -> tuple[ProofLine, ...]:
    """Every claim that the file makes, with its result."""
    lines = [
        ProofLine(
            text=f"The {kept.role} ({kept.chip}) is backed up: {_reads_words(kept)}.",
            result=_agreement_result(kept),
            source=f"journal entry {kept.number}",
        )
        for kept in newest_reads(job)
    ]
    for blanking in _newest_blankings(job):
        lines += _blanking_lines(blanking, several=len(list_chips(job)) > 1)
    return (*lines, *(_stage_line(item) for item in stages))


def _agreement_result(kept: KeptReads) -> Verdict:
    if kept.agree is None:
        return Verdict.NOT_CHECKED
    return Verdict.PASS if kept.agree else Verdict.FAIL


def _blanking_lines(blanking: Blanking, *, several: bool) -> Iterator[ProofLine]:
    where = f" ({blanking.chip})" if several else ""
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
    if item.stale is not None:
        source += f", older than the file to write of entry {item.stale}"
        return ProofLine(text=text, result=Verdict.NOT_CHECKED, source=source)
    if item.done.verdict is StageVerdict.ONLY_COUNTERS_DIFFER:
        source += ": apart from counters"
    elif item.done.verdict is StageVerdict.INCOMPLETE:
        source += ": nothing failed, something is left open"
    if item.stage is Stage.AFTER_SETUP:
        source += ", measured" if _is_measured(item) else ", reported by a scan tool, not measured"
    result = _RESULTS.get(item.done.verdict, Verdict.NOT_CHECKED)
    return ProofLine(text=text, result=result, source=source)


def list_open_points(job: Job, stages: Sequence[ReportStage]) -> tuple[str, ...]:
    """What was not done, not checked, or is left to a person."""
    points = [*_missing_reads(job), *_missing_facts(job)]
    if not job.blankings:
        points.append("No file to write was made by this job.")
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
    elif not job.reads_of(Role.ORIGINAL):
        yield "The original was not read."
    if not job.reads_of(Role.DONOR):
        yield "The donor was not read."
    for kept in newest_reads(job):
        if kept.agree is None:
            reason = kept.single_read_reason or "no reason on record"
            yield f"The {kept.role} ({kept.chip}) was read once: {reason.rstrip('.')}."
        elif not kept.agree:
            yield f"The reads of the {kept.role} ({kept.chip}) differ from each other."


def _missing_facts(job: Job) -> Iterator[str]:
    order = job.order
    if order.authority is None:
        yield "Proof of ownership and the written order are not on record."
    if order.vehicle_vin is None:
        yield "The vehicle's VIN is not on record."
    if order.donor_source is None and job.reads_of(Role.DONOR):
        yield "Where the donor came from is not on record."


def _stage_points(item: ReportStage) -> Iterator[str]:
    where = f" of {item.chip}" if item.chip else ""
    name = f"{item.stage.value.replace('-', ' ')}{where}"
    if item.done is None:
        yield f"The check '{name}' was not made."
        return
    if item.stale is not None:
        yield f"The check '{name}' is older than the newest file to write: make it again."
        return
    for check in item.done.checks:
        if check.result is Verdict.NOT_CHECKED:
            yield f"Check '{name}': {check.text} {_sentence(check.reason or '')}"
        elif check.result is Verdict.FAIL:
            yield f"Check '{name}' failed: {check.text}"


def tell_change(blanking: Blanking, size: int | None) -> str:
    """What was changed, in plain words."""
    changed = sum(len(edit.span) for edit in blanking.edits)
    if not changed:
        return "No byte had to be changed."
    whole = f" of {size:,}" if size else ""
    are = "byte was" if changed == 1 else "bytes were"
    identities = ", ".join(blanking.identities)
    went = f" The identity {identities} was taken out." if identities else ""
    return (
        f"{changed:,}{whole} {are} changed: {_listed_reasons(blanking)}.{went}"
        " All other bytes are the donor's own."
    )


def _listed_reasons(blanking: Blanking) -> str:
    reasons = list(dict.fromkeys(edit.reason for edit in blanking.edits))
    shown = ", ".join(reasons[:8])
    return shown if len(reasons) <= 8 else f"{shown} and {len(reasons) - 8} more"


def _reads_words(kept: KeptReads) -> str:
    if kept.agree:
        return f"{kept.reads} reads agree"
    if kept.agree is None:
        return f"a single read ({kept.single_read_reason or 'no reason on record'})"
    return "its reads differ"


def _newest_blanking(job: Job, chip: str | None) -> Blanking | None:
    made = [item for item in job.blankings if chip is None or item.chip == chip]
    return made[-1] if made else None


def _newest_blankings(job: Job) -> tuple[Blanking, ...]:
    newest = (_newest_blanking(job, chip) for chip in list_chips(job))
    return tuple(blanking for blanking in newest if blanking is not None)


def _verdict(item: ReportStage) -> StageVerdict | None:
    """The verdict that counts; None where there is none."""
    return None if item.done is None or item.stale is not None else item.done.verdict


def _failed(item: ReportStage) -> bool:
    return _verdict(item) is StageVerdict.FAIL


def _is_measured(item: ReportStage) -> bool:
    """Whether a read of the module stands behind a check."""
    if item.done is None:
        return False
    measured = any(
        check.code == "measured" and check.result is Verdict.PASS for check in item.done.checks
    )
    return item.done.sha256 is not None or measured


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."
