"""Values of record stores side by side: the newest of each key, wherever it lies in each image.

Addresses say nothing here: a value that was written again lies in another record.
"""

from __future__ import annotations

from dataclasses import dataclass

from memtool.core.image import Image
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.record_rules import RecordRegion
from memtool.core.layouts.region import RegionKind
from memtool.core.records.values import RecordValue, read_values
from memtool.core.span import Span


@dataclass(frozen=True, slots=True, kw_only=True)
class ValuePair:
    """One region of a record store in two images."""

    described: RecordRegion
    first: RecordValue | None
    """Its newest value; None where no record of its keys is in force."""
    second: RecordValue | None

    @property
    def name(self) -> str:
        """What the layout calls it."""
        return self.described.region.name

    @property
    def is_equal(self) -> bool:
        """Whether both hold the same bytes, or neither holds any."""
        return _raw(self.first) == _raw(self.second)

    @property
    def differing(self) -> int:
        """How many bytes differ; those that one of the two does not have count."""
        first, second = _raw(self.first), _raw(self.second)
        unequal = sum(a != b for a, b in zip(first, second, strict=False))
        return unequal + abs(len(first) - len(second))

    @property
    def spans(self) -> tuple[Span, ...]:
        """Where it lies in the second image; where it has none, in the first."""
        value = self.second or self.first
        return () if value is None else value.spans


def pair_values(
    layout: Layout, first: Image, second: Image, *kinds: RegionKind
) -> tuple[ValuePair, ...]:
    """Every region of these kinds in the layout's record stores, in both images."""
    sides = [_newest(layout, image) for image in (first, second)]
    return tuple(
        ValuePair(
            described=described, first=sides[0].get(described), second=sides[1].get(described)
        )
        for rules in layout.records
        for described in rules.regions
        if described.region.kind in kinds
    )


def _newest(layout: Layout, image: Image) -> dict[RecordRegion, RecordValue]:
    found: dict[RecordRegion, RecordValue] = {}
    for value in read_values(layout, image):
        if value.is_newest:
            found.setdefault(value.region, value)
    return found


def _raw(value: RecordValue | None) -> bytes:
    return b"" if value is None else value.raw
