"""What lies where in the image of one module family: regions, fields and checksums."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import pairwise
from typing import TYPE_CHECKING

from memtool.core.region import (
    BitField,
    BlankSource,
    FieldType,
    Region,
    RegionKind,
    compute_blank_bytes,
)
from memtool.core.span import Span, subtract_spans

if TYPE_CHECKING:
    from memtool.core.checksum import ChecksumRule

__all__ = [
    "BitField",
    "BlankSource",
    "FieldType",
    "Layout",
    "ModuleKind",
    "Region",
    "RegionKind",
    "compute_blank_bytes",
]


class ModuleKind(StrEnum):
    """What a control module is in the vehicle."""

    BODY = "body"
    ENGINE = "engine"
    TRANSMISSION = "transmission"
    CLUSTER = "cluster"
    GATEWAY = "gateway"
    AIRBAG = "airbag"
    IMMOBILISER = "immobiliser"
    OTHER = "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """The regions and checksums of one module hardware family.

    Raises:
        ValueError: two regions share an address. `memtool.store.layouts` names every
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
        """The addresses that lie in no region: nobody knows what is there."""
        return subtract_spans([self.span], (region.span for region in self.regions))

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
