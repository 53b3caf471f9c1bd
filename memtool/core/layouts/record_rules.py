"""The rules of a store of records in flash, as a layout describes them.

A record is written behind the last one; the newest of a key counts, older ones stay until
their page is erased. A layout cannot say at which address something lies: it says how
the store is walked, and what lies where in a record of a certain key.

Places inside a record count from its first byte, those inside a page from the page's. A
record of several entries goes on in the entries behind it, so places may lie beyond `record`.
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

from memtool.core.checksums.checksum import WhenBlanked
from memtool.core.checksums.sums import ByteOrder
from memtool.core.layouts.record_place import Place as Place
from memtool.core.layouts.region import Region
from memtool.core.span import Span

KeyPart = int | str
Key = tuple[KeyPart, ...]
"""The values of a record's key fields, in their order; a region may name the first ones alone."""


def format_key(key: Key) -> str:
    """As people see it: numbers as hex, several fields one behind the other."""
    return ", ".join(f"0x{part:02X}" if isinstance(part, int) else part for part in key)


class Condition(NamedTuple):
    """Says for which records something holds."""

    place: Place
    values: tuple[int, ...]
    """One of these."""


class Counts(StrEnum):
    """What a length field counts."""

    PAYLOAD = "payload"
    """The bytes of the value alone."""
    RECORD = "record"
    """The bytes of the whole record."""
    ENTRIES = "entries"
    """Entries of `record` bytes that the record takes, its first one included."""


class LengthRule(NamedTuple):
    """Where a record says how long it is."""

    place: Place
    counts: Counts
    plus: int = 0
    """With ``payload``: the record's bytes that are not payload."""
    align: int = 1
    """The next record begins at a multiple of so many bytes from the page's first record."""


class NewestBy(StrEnum):
    """How the newest record of a key is told."""

    POSITION = "position"
    """The last one counts; pages follow each other by their sequence numbers, or states."""
    HIGHEST = "highest"
    """The one with the highest number counts; the number wraps around at its width."""


class NewestRule(NamedTuple):
    """Which record of a key counts."""

    by: NewestBy
    place: Place | None = None
    """With ``highest`` alone."""


class MarkRule(NamedTuple):
    """A mark in the record that says whether it is in force."""

    place: Place
    valid: tuple[int, ...]
    """Any other value: written and withdrawn."""


class ValueRule(NamedTuple):
    """Which bytes of a record are the value that it stores."""

    at: int
    size: int | None = None
    """None: `length` says, or the record goes to its end."""
    length: Place | None = None
    where: Condition | None = None
    """Other records have no such value."""


class Covered(StrEnum):
    """What a checksum in a record covers, where it is no list of places."""

    VALUE = "value"
    RECORD = "record"
    """The whole record but the checksum's own field."""


class RecordChecksum(NamedTuple):
    """One checksum of a record or a page."""

    algorithm: str
    covers: tuple[Span, ...] | Covered
    """Places, joined in this order; the stored field is no part of them."""
    at: int
    """Where it is stored; below zero it counts from the record's or page's end."""
    size: int
    """Bytes of the stored value."""
    byte_order: ByteOrder
    when_blanked: WhenBlanked
    where: Condition | None = None


class BitMarks(NamedTuple):
    """Marks of all records of a page, together in its header, low bits first."""

    at: int
    bits: int
    """For each entry: 1, 2, 4 or 8."""
    valid: int
    free: int


class PageState(NamedTuple):
    """The state of a page, in its header."""

    place: Place
    valid: tuple[int, ...]
    """States in which the page's records count, oldest first where `sequence` does not say."""


class PageRules(NamedTuple):
    """How the span of a store is cut into pages."""

    size: int
    header: int = 0
    """Bytes in front of the first record."""
    sequence: Place | None = None
    """The page with the higher number is newer."""
    state: PageState | None = None
    marks: BitMarks | None = None
    checksum: RecordChecksum | None = None


class RecordRegion(NamedTuple):
    """A region of the records of one key, or of a value that is spread over several keys."""

    keys: tuple[Key, ...]
    """One; or several, whose values are joined in this order."""
    region: Region
    """Its span is relative: to the record, or with several keys to the joined values."""


class RecordRules(NamedTuple):
    """One store of records."""

    name: str
    span: Span
    """Absolute addresses."""
    record: int | None
    """Bytes of each record, or of each entry where records take several; None: `length` says."""
    key: tuple[Place, ...]
    newest: NewestRule
    length: LengthRule | None = None
    mark: MarkRule | None = None
    value: ValueRule | None = None
    checksums: tuple[RecordChecksum, ...] = ()
    page: PageRules | None = None
    regions: tuple[RecordRegion, ...] = ()
