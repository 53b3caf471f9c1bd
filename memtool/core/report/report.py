"""The customer file as facts: what was ordered, done, proven, and what was not.

The one source for the page, the PDF and the JSON document. `memtool.core.report.report_building`
makes it. It carries the job's own events with their texts masked, and adds what images tell.
A step that was not taken is said to be missing and never taken for granted. Unless it is the
shop's own copy, the VIN that went is masked wherever it could stand.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from memtool.core.checksums.checksum import ChecksumRule
from memtool.core.finding import Verdict
from memtool.core.job.decisions import Point, judge_points
from memtool.core.job.edit import Edit
from memtool.core.job.events.kinds import (
    FileAttached,
    ImageBlanked,
    NoteAdded,
    ReadsBackedUp,
    StageChecked,
)
from memtool.core.job.order import Order
from memtool.core.job.setup_list import SetupItem
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.memory_map import MemoryMap, Strip
from memtool.core.report.changed_runs import ChangedRun
from memtool.core.report.masking import BULLET
from memtool.core.report.photo import Picture
from memtool.core.report.procedure import ProcedureWriting
from memtool.core.role import Role
from memtool.core.span import Span, parts_inside


class ImagePlace(StrEnum):
    """Which image of the job it is, in the order in which a report shows them."""

    ORIGINAL = "original"
    DONOR = "donor"
    REFERENCE = "reference"
    TO_WRITE = "file to program"
    READ_BACK = "read after programming"
    FINISHED = "after setup"


class Outcome(StrEnum):
    """What came of the order, in one word for its customer."""

    DONE = "done"
    OPEN = "done-with-open-points"
    NOT_DONE = "not-done"


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopProfile:
    """Whose record it is."""

    name: str
    address: tuple[str, ...] = ()
    """Lines."""
    logo: bytes | None = None
    """A PNG or JPEG file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelSerial:
    """The serial number on a module's label, and the one that its memory holds."""

    role: Role
    label: str | None
    memory: str | None
    """None: no layout names one, or the text is not in the memory."""
    result: Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportModule:
    """One module's memory as it was read, and what the order says of the module."""

    backup: ReadsBackedUp
    part: str | None
    source: str | None
    """Where a donor came from."""
    files: tuple[tuple[str, str | None], ...]
    """Name and SHA-256 of each file; None where the journal does not say."""


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
    agreement: Strip | None
    """Where several reads of it differ; None where they do not, or where there was one."""
    differing_places: int
    """In how many places the reads differ."""
    agree: bool | None
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

    rule: ChecksumRule
    values: tuple[ChecksumValue, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportChip:
    """All images of one memory."""

    chip: str
    layout: str | None
    """Name of the layout that the job uses for it."""
    reader_order: str | None
    """How the reader writes its files, a line; None: nothing is on record."""
    layout_problem: str | None
    """Why its regions are not shown all the same, a sentence."""
    images: tuple[ReportImage, ...]
    checksums: tuple[ReportChecksum, ...]
    setup: tuple[SetupItem, ...]
    """What the maker's procedure had to set, ticked off by the read after setup."""
    procedure: ProcedureWriting | None
    """What the maker's procedure wrote; None where that is not known."""
    runs: tuple[ChangedRun, ...] = ()
    """What changed after writing and was left to a person; in the shop's copy alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportChange:
    """One file to program that the job made."""

    blanking: ImageBlanked
    chip: str
    summary: str
    """What was changed, in plain words."""
    hidden: tuple[Span, ...]
    """Where the bytes that went would tell the VIN, sorted, disjoint; they are zeros here."""

    def old_hex(self, edit: Edit) -> str:
        """Lower-case hex of the bytes that went; bullets for those that are not shown."""
        parts, done = [], 0
        for span in parts_inside(edit.span, self.hidden):
            first = span.start - edit.span.start
            parts += [edit.old[done:first].hex(), BULLET * 2 * len(span)]
            done = first + len(span)
        return "".join([*parts, edit.old[done:].hex()])


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportStage:
    """The newest check of one stage of one chip; None where there was none."""

    stage: Stage
    chip: str | None
    """None where the job has one chip at most."""
    done: StageChecked | None
    changed: tuple[str, ...]
    """What it judged and what is another now, in words; empty: the check still holds."""
    points: tuple[Point, ...]
    """Every answer of the check, with what a person decided on it."""

    @property
    def verdict(self) -> StageVerdict | None:
        """The verdict as it stands now; None where the check was not made."""
        if self.done is None:
            return None
        return StageVerdict.OUT_OF_DATE if self.changed else judge_points(self.points)


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

    file: FileAttached
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
    shop: ShopProfile | None
    """None: the shop has not said who it is."""
    outcome: Outcome
    result: str
    """The outcome in one sentence."""
    story: tuple[str, ...]
    """What was done and why, sentences for the customer."""
    statements: tuple[str, ...]
    """What the first page has to say besides."""
    serials: tuple[LabelSerial, ...]
    facts: Order
    """What was ordered, for whom."""
    order: tuple[tuple[str, str], ...]
    """What is on record, in words; a missing fact says so."""
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
    """What was not done or not checked, as the checks say it."""
    customer_points: tuple[str, ...]
    """The same as a customer reads it."""
    notes: tuple[NoteAdded, ...]
    attachments: tuple[ReportAttachment, ...]
    journal: tuple[ReportEntry, ...]
    """Entries of written reports at the end are left out: the same job, the same report."""
    journal_sha256: str
    """Of the journal's first lines, as many as `journal` has entries."""
