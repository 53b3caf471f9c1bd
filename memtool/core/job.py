"""The facts of one customer order, as one object, folded from the journal's entries.

The journal is the record; a `Job` is what it says up to now. Nothing is kept twice, so
nothing can disagree with the journal.

| kind of entry         | what it adds                                              |
|-----------------------|-----------------------------------------------------------|
| `job-opened`          | the order                                                 |
| `order-amended`       | facts of the order that were missing or have changed      |
| `original-unreadable` | why there is no read of the original                      |
| `reads-kept`          | one backup: the reads of one chip of one module           |
| `layout-chosen`       | the layout that the job uses for a chip                   |
| `image-blanked`       | one file to write, with every edit                        |
| `stage-checked`       | one `check` with its verdict                              |
| `note`, `attached`    | what a person added                                       |
| `report-written`      | the customer file                                         |
| `command-run`         | any other command that was run on this job                |
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from enum import StrEnum
from typing import Any, Protocol

from memtool.core.backup import Role
from memtool.core.finding import Check, Verdict
from memtool.core.identity.identity_match import is_identity
from memtool.core.layouts.layout import ModuleKind
from memtool.core.layouts.region import RegionKind
from memtool.core.span import Span
from memtool.core.typed import require_types

NEVER_BLANKED = frozenset({ModuleKind.AIRBAG, ModuleKind.IMMOBILISER})
"""Restraint systems and immobilisers: a person can be hurt, a vehicle stolen."""
_LARGEST = (1 << 32) - 1
"""Addresses have 32 bits."""
_FORMATS = ("raw", "intel-hex", "s-record")


class Stage(StrEnum):
    """When in the job a check is made."""

    DONOR = "donor"
    BEFORE_WRITING = "before-writing"
    AFTER_WRITING = "after-writing"
    AFTER_SETUP = "after-setup"


class StageVerdict(StrEnum):
    """What all checks of a stage say together."""

    PASS = "pass"
    FAIL = "fail"
    INCOMPLETE = "incomplete"
    """Nothing failed, something was not checked."""
    ONLY_COUNTERS_DIFFER = "only-counters-differ"


class JournalFile(Protocol):
    """A file that an entry speaks of."""

    @property
    def path(self) -> str: ...
    @property
    def sha256(self) -> str: ...


class JournalEvent(Protocol):
    """One entry of a journal, wherever it is stored."""

    @property
    def number(self) -> int: ...
    @property
    def time(self) -> str: ...
    @property
    def kind(self) -> str: ...
    @property
    def facts(self) -> Mapping[str, Any]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What the customer ordered and who allowed it. None: not on record."""

    work_order: str | None = None
    vehicle_vin: str | None = None
    module_kind: ModuleKind | None = None
    authority: str | None = None
    """How ownership was proven and who gave the written order."""
    complaint: str | None = None
    original_part: str | None = None
    donor_part: str | None = None
    donor_source: str | None = None
    technician: str | None = None

    def to_facts(self) -> dict[str, Any]:
        """The facts on record, for the journal."""
        pairs = ((item.name, getattr(self, item.name)) for item in fields(self))
        return {name: str(value) for name, value in pairs if value is not None}

    def amended(self, facts: Mapping[str, Any]) -> Order:
        """A copy with the given facts put in."""
        known = {item.name for item in fields(self)}
        changes = {name: value for name, value in facts.items() if name in known}
        if "module_kind" in changes:
            changes["module_kind"] = ModuleKind(changes["module_kind"])
        return replace(self, **changes)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptReads:
    """One backup of the job: all reads of one chip of one module."""

    number: int
    time: str
    backup: str
    """Id in the backup store."""
    role: Role
    chip: str
    sha256: str
    """Digest of the first read's image."""
    size: int
    format: str
    base: int
    reads: int
    agree: bool | None
    single_read_reason: str | None
    reseated: str | None = None
    """The technician's answer: was the clip taken off between the reads?"""
    names: tuple[str, ...] = ()
    findings: tuple[str, ...] = ()
    """Health findings of severity warning or failure, as sentences."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChosenLayout:
    """The layout file that the job uses for one chip; a copy lies in the job's folder."""

    name: str
    chip: str
    path: str
    """Copy inside the job's folder, relative to it."""
    sha256: str
    reviewed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedEdit:
    """One run of bytes that `blank` changed."""

    span: Span
    old: bytes
    new: bytes
    reason: str
    kind: RegionKind


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptSpan:
    """A span that a person chose to keep, with the reason."""

    span: Span
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Blanking:
    """One file to write that this job made."""

    number: int
    time: str
    backup: str
    chip: str
    out: str
    """Path as the user named it."""
    copy: str
    """Copy inside the job's folder, relative to it."""
    format: str
    sha256: str
    """Digest of the image that is to be written."""
    file_sha256: str
    """Digest of the file that holds it."""
    donor_sha256: str
    layout: str | None
    identities: tuple[str, ...]
    """The VINs that were taken out."""
    edits: tuple[RecordedEdit, ...]
    kept: tuple[KeptSpan, ...]
    checks: tuple[Check, ...]
    leftovers: tuple[str, ...] = ()
    """What is left of the identities, as sentences: kept, or likely chance."""
    searched: str = ""
    """Which forms and parts the search for leftovers went through."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StageCheck:
    """One `check` that was run."""

    number: int
    time: str
    stage: Stage
    chip: str | None
    verdict: StageVerdict
    checks: tuple[Check, ...]
    subject: str | None
    """Path of the file that was checked; None where values were reported."""
    sha256: str | None
    copy: str | None
    """Copy of the read inside the job's folder, relative to it."""
    reported_vins: tuple[str, ...] = ()
    codes: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class JobNote:
    """What a person wrote into the record."""

    number: int
    time: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Attachment:
    """A file that a person put to the job."""

    number: int
    time: str
    path: str
    """Inside the job's folder, relative to it."""
    name: str
    sha256: str
    caption: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """Everything that the journal says of one order."""

    opened: str
    """ISO 8601 with zone."""
    order: Order
    original_unreadable: str | None = None
    reads: tuple[KeptReads, ...] = ()
    layouts: tuple[ChosenLayout, ...] = ()
    blankings: tuple[Blanking, ...] = ()
    stage_checks: tuple[StageCheck, ...] = ()
    notes: tuple[JobNote, ...] = ()
    attachments: tuple[Attachment, ...] = ()
    events: tuple[tuple[int, str, str], ...] = field(default=())
    """(number, time, kind) of every entry, in order."""

    def reads_of(self, role: Role, chip: str | None = None) -> tuple[KeptReads, ...]:
        """The backups of one role, newest last; of one chip, where given."""
        return tuple(
            kept for kept in self.reads if kept.role is role and (chip is None or kept.chip == chip)
        )

    def latest_reads(self, role: Role, chip: str | None = None) -> KeptReads | None:
        """The newest backup of that role (and chip)."""
        found = self.reads_of(role, chip)
        return found[-1] if found else None

    def layout_of(self, chip: str) -> ChosenLayout | None:
        """The layout chosen last for that chip."""
        found = [chosen for chosen in self.layouts if chosen.chip == chip]
        return found[-1] if found else None

    def blanking_of(self, sha256: str) -> Blanking | None:
        """The newest blanking that made exactly this image."""
        found = [blanking for blanking in self.blankings if blanking.sha256 == sha256]
        return found[-1] if found else None

    def latest_check(self, stage: Stage, chip: str | None = None) -> StageCheck | None:
        """The newest check of that stage (and chip)."""
        found = [
            check
            for check in self.stage_checks
            if check.stage is stage and (chip is None or check.chip in (None, chip))
        ]
        return found[-1] if found else None


def build_job(events: Iterable[JournalEvent]) -> Job:
    """Fold the entries of a journal, oldest first, into one object.

    Unknown kinds are kept in `Job.events` and add nothing else, so that a journal of a
    later version can still be shown.

    Raises:
        ValueError: the first entry does not open a job, or an entry's facts are not of
            the shape that its kind has.
    """
    job: Job | None = None
    for event in events:
        if job is None and event.kind != "job-opened":
            raise ValueError("the first entry does not open a job")
        try:
            if job is None:
                job = Job(opened=event.time, order=Order().amended(event.facts))
            else:
                job = _with_event(job, event)
            _require_types(job)
        except (KeyError, TypeError, ValueError) as error:
            raise ValueError(
                f"entry {event.number} ({event.kind}) lacks or garbles {error}"
            ) from error
        job = replace(job, events=(*job.events, (event.number, event.time, event.kind)))
    if job is None:
        raise ValueError("the journal is empty")
    return job


def _require_types(job: Job) -> None:
    """Whatever the newest entry can have added is of the types that it says."""
    require_types(job.order)
    if not isinstance(job.original_unreadable, str | None):
        raise TypeError("'reason'")
    records: tuple[tuple[Any, ...], ...] = (
        *(job.reads, job.layouts, job.blankings, job.stage_checks, job.notes, job.attachments),
    )
    for added in records:
        for record in added[-1:]:
            require_types(record)
            _require_inside(getattr(record, "copy", None))
            _require_inside(getattr(record, "path", None))


def _with_event(job: Job, event: JournalEvent) -> Job:
    facts = event.facts
    place: dict[str, Any] = {"number": event.number, "time": event.time}
    match event.kind:
        case "order-amended":
            return replace(job, order=job.order.amended(facts))
        case "original-unreadable":
            return replace(job, original_unreadable=facts["reason"])
        case "reads-kept":
            kept = KeptReads(**place, **_reads_from(facts))
            return replace(job, reads=(*job.reads, kept))
        case "layout-chosen":
            return replace(job, layouts=(*job.layouts, ChosenLayout(**facts)))
        case "image-blanked":
            blanking = Blanking(**place, **_blanking_from(facts))
            return replace(job, blankings=(*job.blankings, blanking))
        case "stage-checked":
            check = StageCheck(**place, **_stage_from(facts))
            return replace(job, stage_checks=(*job.stage_checks, check))
        case "note":
            return replace(job, notes=(*job.notes, JobNote(**place, text=facts["text"])))
        case "attached":
            return replace(job, attachments=(*job.attachments, Attachment(**place, **facts)))
    return job


def _require_format(name: str) -> None:
    if name not in _FORMATS:
        raise ValueError("'format'")


def _require_inside(path: str | None) -> None:
    """A path that a job keeps leads nowhere but into its own folder."""
    if path is not None and (path.startswith("/") or "\0" in path or ".." in path.split("/")):
        raise ValueError("'path'")


def _reads_from(facts: Mapping[str, Any]) -> dict[str, Any]:
    _require_format(facts["format"])
    if not (facts["reads"] >= 1 and facts["size"] >= 0 and 0 <= facts["base"] <= _LARGEST):
        raise ValueError("'reads', 'size' or 'base'")
    return {
        **facts,
        "role": Role(facts["role"]),
        "names": tuple(facts["names"]),
        "findings": tuple(facts["findings"]),
    }


def _blanking_from(facts: Mapping[str, Any]) -> dict[str, Any]:
    _require_format(facts["format"])
    if not all(isinstance(text, str) and is_identity(text) for text in facts["identities"]):
        raise ValueError("'identities'")
    return {
        **facts,
        "identities": tuple(facts["identities"]),
        "leftovers": tuple(facts["leftovers"]),
        "edits": _edits_from(facts["edits"]),
        "kept": tuple(
            KeptSpan(span=Span(kept["start"], kept["end"]), reason=kept["reason"])
            for kept in facts["kept"]
        ),
        "checks": checks_from_facts(facts["checks"]),
    }


def _edits_from(facts: Iterable[Mapping[str, Any]]) -> tuple[RecordedEdit, ...]:
    """By address, none over another, and each with as many bytes as it has addresses."""
    edits = tuple(
        RecordedEdit(
            span=Span(edit["start"], edit["end"]),
            old=bytes.fromhex(edit["old"]),
            new=bytes.fromhex(edit["new"]),
            reason=edit["reason"],
            kind=RegionKind(edit["kind"]),
        )
        for edit in facts
    )
    reached = 0
    for edit in edits:
        size = edit.span.end - edit.span.start
        if edit.span.start < reached or not len(edit.old) == len(edit.new) == size:
            raise ValueError("'edits'")
        reached = edit.span.end
    return edits


def _stage_from(facts: Mapping[str, Any]) -> dict[str, Any]:
    return {
        **facts,
        "stage": Stage(facts["stage"]),
        "verdict": StageVerdict(facts["verdict"]),
        "checks": checks_from_facts(facts["checks"]),
        "reported_vins": tuple(facts["reported_vins"]),
    }


def checks_from_facts(facts: Iterable[Mapping[str, Any]]) -> tuple[Check, ...]:
    """Checks as `checks_to_facts` wrote them."""
    return tuple(
        Check(
            code=check["code"],
            result=Verdict(check["result"]),
            reason=check["reason"],
            text=check["text"],
            spans=tuple(Span(span["start"], span["end"]) for span in check["spans"]),
        )
        for check in facts
    )


def checks_to_facts(checks: Iterable[Check]) -> list[dict[str, Any]]:
    """Checks in the shape that `docs/schema/` publishes, for the journal and for scripts."""
    return [
        {
            "code": check.code,
            "result": check.result.value,
            "reason": check.reason,
            "text": check.text,
            "spans": [{"start": span.start, "end": span.end} for span in check.spans],
        }
        for check in checks
    ]
