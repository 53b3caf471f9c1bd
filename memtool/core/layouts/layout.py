"""What lies where in the image of one module family: regions, fields and checksums."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import pairwise

from memtool.core.checksums.checksum import ChecksumRule
from memtool.core.finding import Finding, Severity
from memtool.core.image import Image
from memtool.core.layouts.fields import (
    BitValue,
    DecodedField,
    FieldState,
    FieldValue,
    decode_field,
    is_blank,
    undo_stored_form,
)
from memtool.core.layouts.record_rules import RecordRules
from memtool.core.layouts.region import (
    BitField,
    BlankSource,
    FieldType,
    Region,
    RegionKind,
    compute_blank_bytes,
)
from memtool.core.span import Span, subtract_spans

__all__ = [
    "MOST_TABLES",
    "BitField",
    "BitValue",
    "BlankSource",
    "DecodedField",
    "FieldState",
    "FieldType",
    "FieldValue",
    "Layout",
    "ModuleKind",
    "Region",
    "RegionKind",
    "compute_blank_bytes",
    "decode_fields",
    "find_copy_faults",
]


MOST_TABLES = 5000
"""Regions, checksums and stores of records of one layout, each."""


class ModuleKind(StrEnum):
    """What a control module is in the vehicle."""

    BODY = "body"
    ENGINE = "engine"
    TRANSMISSION = "transmission"
    CLUSTER = "cluster"
    GATEWAY = "gateway"
    BRAKES = "brakes"
    STEERING = "steering"
    HIGH_VOLTAGE = "high-voltage"
    DRIVER_ASSISTANCE = "driver-assistance"
    AIRBAG = "airbag"
    IMMOBILISER = "immobiliser"
    OTHER = "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """The regions and checksums of one module hardware family.

    Raises:
        ValueError: two regions share an address. `memtool.formats.layout_toml.parsing` names every
            fault of a layout file before it makes a layout.
    """

    name: str
    chip: str
    """As the file names it; `memtool.core.chip.find_chip` knows it."""
    base: int = 0
    """Address of the first byte."""
    size: int
    """Bytes from `base` on, gaps included."""
    erased: int = 0xFF
    """What an erased byte of the chip reads as."""
    module: ModuleKind
    parts: tuple[str, ...] = ()
    """Part numbers it was seen on; shell-style patterns."""
    reviewed: bool = False
    """Whether a person has vouched for every region. `blank` asks for it."""
    regions: tuple[Region, ...] = ()
    """Sorted by address. The stored field of every checksum is one of them, of kind
    ``checksum``; those that were not given are added when the layout is made."""
    checksums: tuple[ChecksumRule, ...] = ()
    """In the order of the file."""
    records: tuple[RecordRules, ...] = ()
    """Stores of records, described by rules. What lies at which address in one image,
    `memtool.core.records.placing` tells."""
    placed: bool = False
    """Whether `regions` and `checksums` hold what the stores hold in one image, too."""
    _starts: tuple[int, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        fields = (
            Region(name=rule.name, span=rule.stored, kind=RegionKind.CHECKSUM)
            for rule in self.checksums
        )
        regions = [*self.regions, *(region for region in fields if region not in self.regions)]
        regions.sort(key=lambda region: region.span)
        for before, after in pairwise(regions):
            if before.span.overlaps(after.span):
                raise ValueError(f"regions '{before.name}' and '{after.name}' overlap")
        object.__setattr__(self, "regions", tuple(regions))
        object.__setattr__(self, "_starts", tuple(region.span.start for region in regions))

    @property
    def span(self) -> Span:
        """The addresses that the layout speaks of."""
        return Span(self.base, self.base + self.size)

    @property
    def gaps(self) -> tuple[Span, ...]:
        """The addresses that lie in no region and no store: nobody knows what is there."""
        known = (*(region.span for region in self.regions), *(each.span for each in self.records))
        return subtract_spans([self.span], known)

    def region_at(self, address: int) -> Region | None:
        """The region that `address` lies in; None in a gap and outside."""
        index = bisect_right(self._starts, address) - 1
        if index < 0 or address not in self.regions[index].span:
            return None
        return self.regions[index]

    def regions_in(self, span: Span) -> tuple[Region, ...]:
        """Every region that shares an address with `span`, by address."""
        return tuple(region for region in self.regions if region.span.overlaps(span))

    def regions_of(self, *kinds: RegionKind) -> tuple[Region, ...]:
        """Every region of one of `kinds`, by address."""
        return tuple(region for region in self.regions if region.kind in kinds)

    def region_named(self, name: str) -> Region | None:
        """The region of that exact name."""
        return next((region for region in self.regions if region.name == name), None)


def decode_fields(layout: Layout, image: Image) -> tuple[DecodedField, ...]:
    """What `image` holds in every field of `layout`, by address.

    A region without a type is no field. Protected regions are listed and never decoded.
    """
    fields = (
        decode_field(region, _bytes_of(image, region), erased=layout.erased)
        for region in layout.regions
    )
    return tuple(field for field in fields if field is not None)


def find_copy_faults(layout: Layout, image: Image) -> tuple[Finding, ...]:
    """A finding for every copy that does not hold what its source holds.

    Both are compared with their stored forms undone; two blank ones are the same. What
    `image` does not define is not compared, and no content is shown.
    """
    findings: list[Finding] = []
    for copy in layout.regions:
        source = None if copy.copy_of is None else layout.region_named(copy.copy_of)
        if source is None or _hold_the_same(layout, image, copy, source):
            continue
        findings.append(
            Finding(
                code="copies-differ",
                severity=Severity.WARNING,
                text=f"'{copy.name}' does not hold the same as '{source.name}', whose copy it is.",
                spans=(copy.span, source.span),
            )
        )
    return tuple(findings)


def _bytes_of(image: Image, region: Region) -> bytes | None:
    return image.read(region.span) if image.covers(region.span) else None


def _hold_the_same(layout: Layout, image: Image, copy: Region, source: Region) -> bool:
    """True also where it cannot be told."""
    ours, theirs = _bytes_of(image, copy), _bytes_of(image, source)
    if ours is None or theirs is None:
        return True
    if all(
        is_blank(region, raw, erased=layout.erased)
        for region, raw in ((copy, ours), (source, theirs))
    ):
        return True
    plain = undo_stored_form(copy, ours)
    return plain is None or plain == undo_stored_form(source, theirs)
