"""What a store of records holds in one image: pages, records, which of a key counts."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from memtool.core.layouts.record_rules import Key, RecordChecksum, RecordRules
from memtool.core.span import Span


class Standing(StrEnum):
    """What a record is worth to the module."""

    NEWEST = "newest"
    """The one of its key that counts."""
    OLD = "old"
    """A newer one of its key was written."""
    WITHDRAWN = "withdrawn"
    """Its mark, or the state of its page, says that it does not count."""
    BROKEN = "broken"
    """One of its checksums does not hold: writing it was cut off, or it is damaged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedChecksum:
    """One checksum of a record or page, at its addresses."""

    rule: RecordChecksum
    covers: tuple[Span, ...]
    stored: Span
    holds: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredRecord:
    """One record."""

    span: Span
    """Its bytes, those of all its entries."""
    key: Key
    standing: Standing
    value: Span | None
    """The bytes of its value, where the rules tell them."""
    checksums: tuple[PlacedChecksum, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredPage:
    """One page."""

    span: Span
    sequence: int | None
    """None where the rules know none, or the page is erased."""
    in_use: bool
    """Its records count."""
    free: Span | None
    """What may still be written; None: it is full."""
    checksum: PlacedChecksum | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordStore:
    """All of a store in one image."""

    rules: RecordRules
    pages: tuple[StoredPage, ...]
    """By address; those that the image does not define wholly are left out."""
    records: tuple[StoredRecord, ...]
    """The oldest first."""

    @property
    def newest(self) -> tuple[StoredRecord, ...]:
        """One of each key that is in force, the oldest first."""
        return tuple(each for each in self.records if each.standing is Standing.NEWEST)

    @property
    def stale(self) -> tuple[StoredRecord, ...]:
        """All others."""
        return tuple(each for each in self.records if each.standing is not Standing.NEWEST)

    @property
    def keys(self) -> tuple[Key, ...]:
        """Every key that some record has, in the order of their first records."""
        return tuple(dict.fromkeys(each.key for each in self.records))

    @property
    def free_start(self) -> int | None:
        """Where the next record goes: in the newest page in use that has room."""
        room = [page for page in self.pages if page.in_use and page.free is not None]
        if not room:
            return None
        newest = max(room, key=lambda page: (page.sequence or 0, page.span.start))
        return None if newest.free is None else newest.free.start

    @property
    def checksums(self) -> tuple[PlacedChecksum, ...]:
        """All of them, those of pages first."""
        pages = [page.checksum for page in self.pages if page.checksum is not None]
        return (*pages, *(each for record in self.records for each in record.checksums))

    def history_of(self, key: Key) -> tuple[StoredRecord, ...]:
        """The records whose key begins with `key`, the oldest first."""
        return tuple(each for each in self.records if each.key[: len(key)] == key)
