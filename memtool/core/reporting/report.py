"""The customer file as facts: what was ordered, done, proven, and what was not.

The one source for the page, the PDF and the JSON document. `memtool.core.reporting.report_building`
makes it. A step that was not taken is said to be missing and never taken for granted.
Unless it is the shop's own copy, the VIN that went is masked wherever it could stand.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from memtool.core.backup import Role
from memtool.core.finding import Check, Verdict
from memtool.core.job import Stage, StageCheck
from memtool.core.layouts.layout import ModuleKind
from memtool.core.layouts.region import RegionKind
from memtool.core.reporting.memory_map import MemoryMap, Strip
from memtool.core.reporting.photo import Picture
from memtool.core.span import Span


class ImagePlace(StrEnum):
    """Which image of the job it is, in the order in which a report shows them."""

    ORIGINAL = "original"
    DONOR = "donor"
    REFERENCE = "reference"
    TO_WRITE = "file to write"
    READ_BACK = "read-back"
    FINISHED = "after setup"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportFile:
    """One file that a backup keeps."""

    name: str
    sha256: str | None
    """None where the record does not say."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportModule:
    """One module's memory as it was read."""

    entry: int
    """Journal entry that records the backup."""
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
    files: tuple[ReportFile, ...]
    findings: tuple[str, ...]
    """Health findings of weight."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportImage:
    """One image of the job with what its pictures show."""

    place: ImagePlace
    entry: int
    """Journal entry that speaks of it."""
    sha256: str | None
    size: int | None
    reads: int
    """How many reads of it were compared here."""
    missing: str | None
    """Why it cannot be shown, a clause without full stop; None where it can."""
    map: MemoryMap | None
    information: Strip | None
    """How much information the bytes carry."""
    agreement: Strip | None
    """Where several reads of it differ; None where there was one."""
    agree: bool | None
    difference: Strip | None
    """Where it differs from `compared_with`."""
    compared_with: ImagePlace | None
    differing_bytes: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChecksumValue:
    """What one checksum is in one image."""

    place: ImagePlace
    stored: str
    """Lower-case hex; bullets where it would tell the VIN that went; empty: undefined."""
    result: Verdict
    blank: bool
    """Whether the field is erased, as the layout orders for it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportChecksum:
    """One checksum of the layout through the job."""

    name: str
    algorithm: str
    span: Span
    values: tuple[ChecksumValue, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportChip:
    """All images of one memory."""

    chip: str
    layout: str | None
    """Name of the layout that the job uses for it."""
    layout_problem: str | None
    """Why its regions are not shown all the same, a sentence."""
    images: tuple[ReportImage, ...]
    checksums: tuple[ReportChecksum, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportEdit:
    """One run of bytes that was changed."""

    span: Span
    old: str
    """Lower-case hex; bullets where it would tell the VIN that went."""
    new: str
    reason: str
    kind: RegionKind


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
    summary: str
    """What was changed, in plain words."""
    edits: tuple[ReportEdit, ...]
    kept: tuple[tuple[Span, str], ...]
    leftovers: tuple[str, ...]
    searched: str
    checks: tuple[Check, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportStage:
    """The newest check of one stage of one chip; None where there was none."""

    stage: Stage
    chip: str | None
    """None where the job has one chip at most."""
    done: StageCheck | None
    stale: int | None
    """Journal entry of a newer file to write, which the check knows nothing of."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofLine:
    """One claim, whether it holds, and where that can be looked up."""

    text: str
    result: Verdict
    source: str
    """Journal entry that says so, or why nothing does."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportAttachment:
    """A file that a person put to the job."""

    name: str
    sha256: str
    caption: str | None
    picture: Picture | None
    """None where it is not shown."""
    data: bytes | None
    """The picture's file; None where it is not shown."""
    reason: str | None
    """Why it is not shown, a clause without full stop."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportEntry:
    """One line of the journal."""

    number: int
    time: str
    text: str
    sha256: str
    previous: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """The whole customer file."""

    job: str
    """Name of the job's folder."""
    as_of: str
    """Time of the last journal entry it speaks of, ISO 8601 with zone."""
    is_shop_copy: bool
    result: str
    """The outcome in one sentence."""
    order: tuple[tuple[str, str], ...]
    """What is on record, in words; a missing fact says so."""
    module_kind: ModuleKind | None
    vehicle_vin: str | None
    identity_now: str
    """Which VIN the module holds now, and how that is known, a sentence."""
    original_unreadable: str | None
    modules: tuple[ReportModule, ...]
    chips: tuple[ReportChip, ...]
    changes: tuple[ReportChange, ...]
    stages: tuple[ReportStage, ...]
    proof: tuple[ProofLine, ...]
    open_points: tuple[str, ...]
    """What was not done or not checked."""
    notes: tuple[tuple[str, str], ...]
    """(time, text)."""
    attachments: tuple[ReportAttachment, ...]
    journal: tuple[ReportEntry, ...]
    """Entries of written reports at the end are left out: the same job, the same report."""
    journal_sha256: str
    """Of the journal's first lines, as many as `journal` has entries."""
