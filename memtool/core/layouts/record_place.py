"""A place in a record of a store in flash, or in the header of a page; see `record_rules`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from memtool.core.layouts.region import INTEGER_LENGTHS, FieldType
from memtool.core.span import Span

if TYPE_CHECKING:
    from memtool.core.checksums.sums import ByteOrder


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A number, or a key's text or bytes, at a place in a record or page."""

    at: int
    """Offset of the first byte."""
    type: FieldType
    """An integer; for a key's field also ``ascii`` (zeros and blanks at the end are cut off) or
    ``bytes`` (read as lower-case hex)."""
    size: int
    """Bytes."""

    @property
    def span(self) -> Span:
        """The bytes that it takes, as offsets."""
        return Span(self.at, self.at + self.size)

    @property
    def byte_order(self) -> ByteOrder:
        """Of an integer."""
        return "little" if self.type.value.endswith("le") else "big"

    @property
    def is_number(self) -> bool:
        """Whether it holds an integer."""
        return self.type in INTEGER_LENGTHS
