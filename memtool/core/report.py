"""The customer file as facts: what was ordered, done, proven, and what was not.

Everything comes from the journal. A step that was not taken is said to be missing and
never taken for granted. Unless it is the shop's own copy, the VIN that went is masked
wherever it could stand: in identities, in bytes, in names of files, in notes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from memtool.core.backup import Role
from memtool.core.finding import Check, Verdict
from memtool.core.job import Blanking, Job, KeptReads, Stage, StageCheck, StageVerdict
from memtool.core.region import RegionKind
from memtool.core.span import Span
from memtool.core.vin import mask_vin

_MASKED_KINDS = frozenset({RegionKind.VEHICLE_IDENTITY, RegionKind.CHECKSUM})
"""Old bytes of these can tell the VIN that went."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportModule:
    """One module's memory as it was read."""

    role: Role
    part: str | None
    source: str | None
    """Where a donor came from."""
    chip: str
    size: int
    reads: int
    agree: bool | None
    single_read_reason: str | None
    reseated: str | None
    sha256: str
    backup: str
    names: tuple[str, ...]
    findings: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportEdit:
    """One run of bytes that was changed."""

    span: Span
    old: str
    """Lower-case hex; bullets where it would tell the VIN that went."""
    new: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportChange:
    """One file to write that the job made."""

    number: int
    """Of its entry in the journal."""
    time: str
    chip: str
    out: str
    layout: str | None
    backup: str
    donor_sha256: str
    sha256: str
    file_sha256: str
    removed: tuple[str, ...]
    edits: tuple[ReportEdit, ...]
    kept: tuple[tuple[Span, str], ...]
    leftovers: tuple[str, ...]
    searched: str
    checks: tuple[Check, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportStage:
    """The newest check of one stage; None where there was none."""

    stage: Stage
    done: StageCheck | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofLine:
    """One claim, whether it holds, and where that can be looked up."""

    text: str
    result: Verdict
    source: str
    """Journal entry that says so, or why nothing does."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """The whole customer file."""

    job: str
    """Name of the job's folder."""
    written: str
    """ISO 8601 with zone."""
    is_shop_copy: bool
    result: str
    """The outcome in one sentence."""
    order: tuple[tuple[str, str], ...]
    """What is on record, in words; a missing fact says so."""
    vehicle_vin: str | None
    original_unreadable: str | None
    modules: tuple[ReportModule, ...]
    changes: tuple[ReportChange, ...]
    stages: tuple[ReportStage, ...]
    proof: tuple[ProofLine, ...]
    open_points: tuple[str, ...]
    """What was not done or not checked."""
    notes: tuple[tuple[str, str], ...]
    """(time, text)."""
    attachments: tuple[tuple[str, str, str | None], ...]
    """(name, sha256, caption)."""
    journal: tuple[tuple[int, str, str], ...]
    """(number, time, what)."""
    journal_sha256: str
    """Of the journal's file as it was when the report was made."""


def build_report(
    job: Job,
    *,
    name: str,
    order_rows: Iterable[tuple[str, str]],
    journal_rows: Iterable[tuple[int, str, str]],
    journal_sha256: str,
    written: str,
    is_shop_copy: bool,
) -> Report:
    """Collect the facts of a job for its customer file.

    Args:
        job: As the journal says.
        name: Name of the job's folder.
        order_rows: The order in words.
        journal_rows: (number, time, what) of every entry, in words.
        journal_sha256: Of the journal's file.
        written: Time of the report, ISO 8601 with zone.
        is_shop_copy: Show the VIN that went in full.
    """
    hide = _Hider(job) if not is_shop_copy else _Hider(None)
    stages = tuple(ReportStage(stage=stage, done=job.latest_check(stage)) for stage in Stage)
    return Report(
        job=hide.text(name),
        written=written,
        is_shop_copy=is_shop_copy,
        result=_result(job),
        order=tuple((label, hide.text(value)) for label, value in order_rows),
        vehicle_vin=job.order.vehicle_vin,
        original_unreadable=hide.optional(job.original_unreadable),
        modules=tuple(_module(job, kept, hide) for kept in _newest(job)),
        changes=tuple(_change(blanking, hide) for blanking in job.blankings),
        stages=tuple(_hidden_stage(stage, hide) for stage in stages),
        proof=_proof(job),
        open_points=tuple(hide.text(text) for text in _open_points(job)),
        notes=tuple((note.time, hide.text(note.text)) for note in job.notes),
        attachments=tuple(
            (hide.text(item.name), item.sha256, hide.optional(item.caption))
            for item in job.attachments
        ),
        journal=tuple((number, time, hide.text(what)) for number, time, what in journal_rows),
        journal_sha256=journal_sha256,
    )


class _Hider:
    """Masks the identities that went, wherever they stand in a text."""

    def __init__(self, job: Job | None) -> None:
        self.active = job is not None
        self.identities: tuple[str, ...] = ()
        if job is not None:
            vehicle = job.order.vehicle_vin
            found = {text for blanking in job.blankings for text in blanking.identities}
            self.identities = tuple(sorted(found - {vehicle}))

    def text(self, text: str) -> str:
        for identity in self.identities:
            masked = mask_vin(identity)
            text = text.replace(identity, masked).replace(identity.lower(), masked)
        return text

    def optional(self, text: str | None) -> str | None:
        return None if text is None else self.text(text)

    def vin(self, vin: str) -> str:
        return mask_vin(vin) if self.active else vin

    def old_bytes(self, data: bytes, kind: RegionKind) -> str:
        return "••" * len(data) if self.active and kind in _MASKED_KINDS else data.hex()


def _newest(job: Job) -> tuple[KeptReads, ...]:
    """The newest backup of each role and chip, by role."""
    newest = {(kept.role, kept.chip): kept for kept in job.reads}
    order = list(Role)
    return tuple(
        newest[key] for key in sorted(newest, key=lambda key: (order.index(key[0]), key[1]))
    )


def _module(job: Job, kept: KeptReads, hide: _Hider) -> ReportModule:
    parts = {Role.ORIGINAL: job.order.original_part, Role.DONOR: job.order.donor_part}
    source = job.order.donor_source if kept.role is Role.DONOR else None
    return ReportModule(
        role=kept.role,
        part=hide.optional(parts.get(kept.role)),
        source=hide.optional(source),
        chip=kept.chip,
        size=kept.size,
        reads=kept.reads,
        agree=kept.agree,
        single_read_reason=hide.optional(kept.single_read_reason),
        reseated=kept.reseated,
        sha256=kept.sha256,
        backup=kept.backup,
        names=tuple(hide.text(name) for name in kept.names),
        findings=tuple(hide.text(text) for text in kept.findings),
    )


def _change(blanking: Blanking, hide: _Hider) -> ReportChange:
    return ReportChange(
        number=blanking.number,
        time=blanking.time,
        chip=blanking.chip,
        out=hide.text(blanking.out),
        layout=blanking.layout,
        backup=blanking.backup,
        donor_sha256=blanking.donor_sha256,
        sha256=blanking.sha256,
        file_sha256=blanking.file_sha256,
        removed=tuple(hide.vin(vin) for vin in blanking.identities),
        edits=tuple(
            ReportEdit(
                span=edit.span,
                old=hide.old_bytes(edit.old, edit.kind),
                new=edit.new.hex(),
                reason=edit.reason,
            )
            for edit in blanking.edits
        ),
        kept=tuple((kept.span, hide.text(kept.reason)) for kept in blanking.kept),
        leftovers=tuple(hide.text(text) for text in blanking.leftovers),
        searched=blanking.searched,
        checks=blanking.checks,
    )


def _hidden_stage(item: ReportStage, hide: _Hider) -> ReportStage:
    if item.done is None:
        return item
    checks = tuple(
        replace(check, text=hide.text(check.text), reason=hide.optional(check.reason))
        for check in item.done.checks
    )
    done = replace(
        item.done,
        checks=checks,
        subject=hide.optional(item.done.subject),
        codes=hide.optional(item.done.codes),
        reported_vins=tuple(hide.text(vin) for vin in item.done.reported_vins),
    )
    return ReportStage(stage=item.stage, done=done)


def _result(job: Job) -> str:
    """The outcome in one sentence, no better than the newest checks allow."""
    done = job.latest_check(Stage.AFTER_SETUP)
    if done is None:
        written = job.latest_check(Stage.AFTER_WRITING)
        if written is not None and written.verdict is StageVerdict.PASS:
            return "The module was written as planned; its configuration was not checked yet."
        if job.blankings:
            return "A file to write was made; that it was written is not on record."
        return "The modules were read and backed up; nothing was changed."
    if done.verdict is StageVerdict.PASS:
        return "The module is configured for this vehicle, and every check after setup passed."
    if done.verdict is StageVerdict.FAIL:
        return "The work is not finished: a check after setup failed."
    return "The module was checked after setup; some points are left open, named below."


def _proof(job: Job) -> tuple[ProofLine, ...]:
    lines = [
        ProofLine(
            text=f"The {kept.role} ({kept.chip}) is backed up: {_reads_words(kept)}.",
            result=Verdict.PASS if kept.agree else Verdict.NOT_CHECKED,
            source=f"journal entry {kept.number}",
        )
        for kept in _newest(job)
    ]
    for blanking in job.blankings:
        source = f"journal entry {blanking.number}"
        for code, text in (
            ("donor-backup", "The donor's backup was verified in the run that changed its image."),
            ("only-planned", "Only planned bytes differ from the donor's backup."),
            ("no-leftover", "No unexplained trace of the identity that went is left."),
            ("protected-untouched", "Protected and module-identity regions were not touched."),
        ):
            found = [check.result for check in blanking.checks if check.code == code]
            result = Verdict.NOT_CHECKED if not found else found[-1]
            if code == "protected-untouched" and blanking.layout is None:
                result = Verdict.NOT_CHECKED
            lines.append(ProofLine(text=text, result=result, source=source))
    for stage, text in (
        (Stage.BEFORE_WRITING, "The file was judged before it was written."),
        (Stage.AFTER_WRITING, "The module, read back, holds exactly the file."),
        (Stage.AFTER_SETUP, "After setup every VIN is the vehicle's."),
    ):
        done = job.latest_check(stage)
        if done is None:
            source = "not on record"
            lines.append(ProofLine(text=text, result=Verdict.NOT_CHECKED, source=source))
            continue
        results = {
            StageVerdict.PASS: Verdict.PASS,
            StageVerdict.FAIL: Verdict.FAIL,
        }
        measured = "" if done.sha256 else ", reported by a scan tool, not measured"
        lines.append(
            ProofLine(
                text=text,
                result=results.get(done.verdict, Verdict.NOT_CHECKED),
                source=f"journal entry {done.number}{measured}",
            )
        )
    return tuple(lines)


def _reads_words(kept: KeptReads) -> str:
    if kept.agree:
        return f"{kept.reads} reads agree"
    if kept.agree is None:
        return f"a single read ({kept.single_read_reason or 'no reason on record'})"
    return "its reads differ"


def _open_points(job: Job) -> tuple[str, ...]:
    points = []
    if job.original_unreadable:
        points.append(f"The original could not be read: {job.original_unreadable}.")
    elif not job.reads_of(Role.ORIGINAL):
        points.append("The original was not read.")
    if not job.blankings:
        points.append("No file to write was made by this job.")
    if any(blanking.layout is None for blanking in job.blankings):
        points.append("Checksums were not checked: no layout names them.")
    for stage in Stage:
        done = job.latest_check(stage)
        if done is None:
            points.append(f"The check '{stage.value}' was not made.")
            continue
        for check in done.checks:
            if check.result is Verdict.NOT_CHECKED:
                points.append(f"{stage.value}: {check.text} {_sentence(check.reason or '')}")
            elif check.result is Verdict.FAIL:
                points.append(f"{stage.value} failed: {check.text}")
    return tuple(points)


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."
