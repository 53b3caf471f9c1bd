"""What was learned from one memory of a finished job. Facts; `render` makes the words."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from memtool.core.image import Image
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.record_rules import Key
from memtool.core.layouts.region import Region, RegionKind
from memtool.core.span import Span

if TYPE_CHECKING:
    from memtool.core.drafting.draft import Confidence


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """One memory of a job that ended well."""

    layout: Layout
    """The job's, reviewed; not placed in any image."""
    before: Image
    """The donor's backup."""
    blanked: Image
    """The file that was written."""
    finished: Image
    """The read after setup."""
    original: Image | None
    """The failed module's; None where it could not be read."""
    vehicle_vin: str
    kept: tuple[Span, ...] = ()
    """What a person kept from being blanked."""
    hidden: tuple[Span, ...] = ()
    """What any layout of the job protects."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenPlace:
    """A region, a key of a store of records, or a run of bytes that no region explains."""

    name: str | None
    """The region's; None: no region explains it."""
    kind: RegionKind | None
    spans: tuple[Span, ...]
    """In the finished module: of a region its bytes that changed, of a record the new value."""
    count: int
    """Bytes."""
    as_original: int | None
    """How many of these hold what the original holds; None: there is no original's read to
    compare with, or the bytes are protected."""
    store: str | None = None
    """Name of the store of records that holds it."""
    key: Key | None = None
    """Of records that no region describes."""

    @property
    def is_protected(self) -> bool:
        """Told by address and count alone."""
        return self.kind is RegionKind.PROTECTED

    @property
    def follows_vehicle(self) -> bool:
        """Whether all of it is what the original holds."""
        return self.as_original == self.count


@dataclass(frozen=True, slots=True, kw_only=True)
class MovedChecksums:
    """A checksum that changed with what it guards; those of a store of records together."""

    name: str
    """The layout's; of a store of records the store's."""
    is_store: bool
    count: int
    """How many: 1, or those of new records and changed pages."""
    holding: int
    """How many of them are right in the finished module."""
    spans: tuple[Span, ...]


class WarningCode(StrEnum):
    """What a warning is about."""

    STILL_BLANK = "still-blank"
    """A region was blanked, and the procedure left it blank."""
    CAME_BACK = "came-back"
    """A region was blanked, and holds again what the donor held. Not told of flags and counters:
    they come back by themselves."""
    REWRITTEN = "kept-rewritten"
    """A region that blanking keeps was written by the procedure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Warned:
    """Something about the layout that a person should think about."""

    code: WarningCode
    place: WrittenPlace


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A change to the layout, for a person to review."""

    region: Region
    """At its addresses; in a store of records relative to the record, as the layout has it."""
    confidence: Confidence
    evidence: tuple[str, ...]
    """Sentences with full stop. They quote no bytes."""
    store: str | None = None
    """The store of records that it goes into; None: none."""
    key: Key | None = None
    """With `store`."""
    was: RegionKind | None = None
    """The region is there already, and this was its kind; None: it is new."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """One memory: what was written into it between the file and the finished module."""

    written: tuple[WrittenPlace, ...]
    """What regions explain, by address."""
    unexplained: tuple[WrittenPlace, ...]
    """What no region explains, by address."""
    checksums: tuple[MovedChecksums, ...]
    still_blank: tuple[WrittenPlace, ...]
    """What was blanked and is blank still; of records the value in force."""
    warnings: tuple[Warned, ...]
    proposals: tuple[Proposal, ...]
    changed: int
    """Bytes that differ between the file to program and the finished module, in all."""
    has_original: bool
    """Whether there was a read of the original to compare with."""
