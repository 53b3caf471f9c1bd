"""The kinds of events, each with its facts. A new kind is a class here and a row in `EVENTS`.

What makes no sense is refused when an event is made, so that no command can write what no
command can read.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal

from memtool.core.finding import Check
from memtool.core.job.edit import Edits, KeptSpan
from memtool.core.job.events.event import Event
from memtool.core.job.events.memory_kinds import (
    BackupRestored,
    MemoryDeclared,
    ReaderOrderSet,
    ReadsTakenOver,
    ReadWithdrawn,
)
from memtool.core.job.events.person_kinds import DecisionMade, FunctionTested
from memtool.core.job.order import Order, says_nothing
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.layouts.layout import ModuleKind
from memtool.core.layouts.region import RegionKind
from memtool.core.read_options import PLAIN
from memtool.core.reader_order import parse_reader_order
from memtool.core.role import Role
from memtool.core.span import Span
from memtool.core.texts.identity_match import is_identity

_LARGEST = (1 << 32) - 1
"""Addresses have 32 bits."""
Format = Literal["raw", "intel-hex", "s-record"]


@dataclass(frozen=True, slots=True, kw_only=True)
class JobOpened(Event):
    """The order that the job is for; the first entry of every journal."""

    kind: ClassVar[str] = "job-opened"
    order: Order


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderAmended(Event):
    """Facts of the order that were missing or have changed."""

    kind: ClassVar[str] = "order-amended"
    order: Order
    """None of a fact: it stays as it was."""
    reason: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OriginalUnreadable(Event):
    """Why there is no read of the original."""

    kind: ClassVar[str] = "original-unreadable"
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Vote:
    """An image that was decided byte by byte from several reads."""

    backup: str
    """Id of the backup that holds these reads."""
    doubtful: int
    """Bytes on which they do not all agree."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadsBackedUp(Event):
    """One backup of the job: reads of one memory of one module."""

    kind: ClassVar[str] = "reads-kept"
    backup: str
    """Id in the backup store."""
    role: Role
    chip: str
    sha256: str
    """Digest of the first read's image."""
    size: int
    format: Format
    base: int
    read_count: int
    agree: bool | None
    single_read_reason: str | None
    reseated: str | None = None
    """The technician's answer: was the clip taken off between the reads?"""
    names: tuple[str, ...] = ()
    findings: tuple[str, ...] = ()
    """Health findings of severity warning or failure, as sentences."""
    read_digests: tuple[str, ...] = ()
    """Digest of each read's image; empty where an older version did not note them."""
    sitting: str | None = None
    """Reads made without power between them; None: the memory's first sitting."""
    vins: tuple[str, ...] = ()
    """VINs in the first read, as far as they tell themselves."""
    voted: Vote | None = None
    """The image is no read: `read_count` reads were put to the vote."""
    orders: tuple[str, ...] = ()
    """In which each read's file was written; empty: all as the chip has them."""
    given: int | None = None
    """How many of the reads, the last ones, came with this entry; None: all."""
    read_times: tuple[int | None, ...] = ()
    """When each read's file was changed last, in nanoseconds since 1970; empty: not noted."""
    differing: tuple[Span, ...] = ()
    """Where the reads do not agree."""

    def __post_init__(self) -> None:
        if self.read_count < 1 or self.size < 0 or not 0 <= self.base <= _LARGEST:
            raise ValueError("'read_count', 'size' or 'base'")
        for order in self.orders:
            parse_reader_order(order)


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutChosen(Event):
    """The layout file that the job uses for one memory; a copy lies in the job's folder."""

    kind: ClassVar[str] = "layout-chosen"
    name: str
    path: str
    """Copy inside the job's folder, relative to it."""
    sha256: str
    reviewed: bool

    def __post_init__(self) -> None:
        _require_inside(self.path)


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedRegion:
    """One region of a layout that the journal remembers."""

    name: str
    span: Span
    kind: RegionKind


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutNamed(Event):
    """A layout that a command was given, used or refused: what it guards stays guarded."""

    kind: ClassVar[str] = "layout-named"
    name: str
    sha256: str
    """Digest of its file."""
    module: ModuleKind
    reviewed: bool
    span: Span
    """The addresses that it describes."""
    regions: tuple[NamedRegion, ...]
    """The protected ones and those of an identity."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RegionReleased(Event):
    """A person's review of one module-identity region, after which it is not guarded."""

    kind: ClassVar[str] = "region-released"
    span: Span
    name: str
    """Of the person."""
    reason: str

    def __post_init__(self) -> None:
        if says_nothing(self.name) or says_nothing(self.reason):
            raise ValueError("'name' or 'reason'")


@dataclass(frozen=True, slots=True, kw_only=True)
class AreaSettled(Event):
    """What is known of an area that reads as one value throughout."""

    kind: ClassVar[str] = "area-settled"
    spans: tuple[Span, ...]
    how: Literal["not-read", "second-method", "empty"]
    """The reader could not give it; a second method of reading agrees; or a person decided
    that it is really empty."""
    reason: str
    name: str | None = None
    """Of the person, where one decided."""

    def __post_init__(self) -> None:
        if says_nothing(self.reason):
            raise ValueError("'reason'")


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageBlanked(Event):
    """One file to program that this job made."""

    kind: ClassVar[str] = "image-blanked"
    backup: str
    out: str
    """Path as the user named it."""
    copy: str
    """Copy inside the job's folder, relative to it."""
    format: Format
    sha256: str
    """Digest of the image that is to be written."""
    file_sha256: str
    """Digest of the file that holds it."""
    donor_sha256: str
    layout: str | None
    identities: tuple[str, ...]
    """The VINs that were taken out."""
    edits: Edits
    kept: tuple[KeptSpan, ...]
    checks: tuple[Check, ...]
    leftovers: tuple[str, ...] = ()
    """What is left of the identities, as sentences: kept, or likely chance."""
    searched: str = ""
    """Which forms and parts the search for leftovers went through."""
    order: str = PLAIN
    """In which the bytes lie in the file; digests of images are in the chip's order."""

    def __post_init__(self) -> None:
        _require_inside(self.copy)
        parse_reader_order(self.order)
        if not all(is_identity(text) for text in self.identities):
            raise ValueError("'identities'")


@dataclass(frozen=True, slots=True, kw_only=True)
class StageChecked(Event):
    """One `check` that was run."""

    kind: ClassVar[str] = "stage-checked"
    stage: Stage
    verdict: StageVerdict
    checks: tuple[Check, ...]
    subject: str | None
    """Path of the file that was checked; None where values were reported."""
    sha256: str | None
    copy: str | None
    """Copy of the read inside the job's folder, relative to it."""
    reported_vins: tuple[str, ...] = ()
    codes: str | None = None
    mileage_before: str | None = None
    """As reported, before the work; never decoded."""
    mileage_after: str | None = None
    file_sha256: str | None = None
    """Digest of the file that was checked."""
    read_time: int | None = None
    """When that file was changed last, in nanoseconds since 1970; None: not known."""
    again: tuple[str, ...] = ()
    """What changed so that it was judged again without being asked for, in words."""
    order: str = PLAIN
    """In which the bytes lie in the file."""

    def __post_init__(self) -> None:
        _require_inside(self.copy)
        parse_reader_order(self.order)


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteAdded(Event):
    """What a person wrote into the journal."""

    kind: ClassVar[str] = "note"
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FileAttached(Event):
    """A file that a person put to the job."""

    kind: ClassVar[str] = "attached"
    path: str
    """Inside the job's folder, relative to it."""
    name: str
    sha256: str
    caption: str | None

    def __post_init__(self) -> None:
        _require_inside(self.path)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportWritten(Event):
    """The customer file."""

    kind: ClassVar[str] = "report-written"
    shop: bool
    """Whether it is the shop's copy, with full VINs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandRun(Event):
    """Any other command that was run on this job."""

    kind: ClassVar[str] = "command-run"
    command: str
    details: Mapping[str, Any] = field(default_factory=dict)
    """What it found, JSON values; for people, no rule reads them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IntendedFile:
    """A file that is about to be written."""

    path: str
    """Inside the job relative to its folder, else absolute."""
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FilesIntended(Event):
    """Files that are about to be written, and the kind of the event that tells it was done.

    An intent that no event names was cut off: the same command takes its files over.
    """

    kind: ClassVar[str] = "files-intended"
    purpose: str
    """Kind of the event that follows."""
    files: tuple[IntendedFile, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TornLineKept(Event):
    """What was left of a line that a crash did not let finish; the journal adds it by itself."""

    kind: ClassVar[str] = "torn-line"
    line: int
    size: int
    sha256: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UnknownEvent(Event):
    """An entry of a kind that a later version added: it is shown, and adds nothing."""

    unknown_kind: str

    @property
    def title(self) -> str:
        """The kind as it stands in the journal."""
        return self.unknown_kind


EVENTS: dict[str, type[Event]] = {
    event.kind: event
    for event in (
        *(JobOpened, OrderAmended, OriginalUnreadable, ReadsBackedUp, LayoutChosen),
        *(ImageBlanked, StageChecked, NoteAdded, FileAttached, ReportWritten),
        *(CommandRun, FilesIntended, TornLineKept, LayoutNamed, RegionReleased, AreaSettled),
        *(BackupRestored, MemoryDeclared, ReadWithdrawn, ReadsTakenOver, ReaderOrderSet),
        *(DecisionMade, FunctionTested),
    )
}
"""Every kind that this version reads, by its name in the journal."""


def _require_inside(path: str | None) -> None:
    """A path that a job keeps leads nowhere but into its own folder."""
    if path is not None and (path.startswith("/") or "\0" in path or ".." in path.split("/")):
        raise ValueError("'path'")
