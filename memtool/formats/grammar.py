"""What a record of Intel HEX or of S-record is made of, said once for every reader.

A record is a line: a mark, then bytes in hex digits. Both formats have a type, a length, an
address, data and a checksum in them, at other places and counted in other ways; `Grammar`
holds the difference as data. The line reader (`hex_line`, `hex_text`) and the reader of whole
blocks (`whole_file`) go by it, so that they cannot disagree about what a record is.

The body is the record's bytes. An S-record's type is one digit and no byte; with a ``0`` in
the mark's place it becomes one, and is then the first byte of the body.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

CHECKSUM_SIZE = 1
BYTE_VALUES = 256


class RecordType(NamedTuple):
    """What belongs to one type of records."""

    name: str
    """As a sentence names such a record: ``data record (type 00)``, ``S1 record``."""
    width: int
    """Bytes of the address."""
    data_size: int | None
    """Data bytes that each has; None where any number is right."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grammar:
    """The records of one format. Places are indexes of bytes in the body."""

    name: str
    mark: bytes
    """The character that begins a record."""
    also_marks: bytes
    """Other characters that are read as the mark, with a warning."""
    prefix: bytes
    """The digit to put in the mark's place, so that the rest is whole bytes."""
    type_at: int
    length_at: int
    address_at: int
    head_size: int
    """Bytes before the data, without the address."""
    uncounted: int
    """Bytes of the body that the length byte does not count."""
    counted: str
    """What the length byte counts, in words."""
    summed_from: int
    """The first byte of the body that is in the sum."""
    total: int
    """The low byte of the sum, with the checksum in it."""
    types: Mapping[int, RecordType]
    data_types: frozenset[int]
    end_types: frozenset[int]
    types_in_words: str
    """All that the format has, for a sentence."""

    def size_before_data(self, kind: int) -> int:
        """Bytes of the body before the data, for a known type."""
        return self.head_size + self.types[kind].width

    def total_with(self, kind: int) -> int:
        """The low byte of the sum of a whole body, bytes outside the sum included."""
        return (self.total + (kind if self.summed_from > self.type_at else 0)) & 0xFF

    def column_of(self, place: int) -> int:
        """Column, from 1, of the first digit of a byte of the body."""
        return 2 * place + 2 - len(self.prefix)

    def limit(self, kind: int) -> int:
        """The first address that a record of a type cannot name."""
        return 1 << 8 * self.types[kind].width

    def name_of(self, kind: int) -> str:
        """The name of a type that may be unknown."""
        known = self.types.get(kind)
        return f"unknown record (type {kind:02X})" if known is None else known.name


class Record(NamedTuple):
    """One record that holds no data of the memory, or one that was read by itself."""

    line: int
    kind: int
    address: int
    data: bytes


class Run(NamedTuple):
    """Neighbouring data records of one type, each beginning where the one before it ends."""

    line: int
    """Of the first record."""
    kind: int
    address: int
    """Of the first record, as it stands there."""
    data: bytes
    """Of all records."""
    sizes: Sequence[int]
    """Data bytes of each record."""
    lines: Sequence[int]
    """Line of each record."""

    @property
    def end(self) -> int:
        """The address after the last byte."""
        return self.address + len(self.data)

    @property
    def last(self) -> Record:
        """The last record."""
        size = self.sizes[-1]
        data = self.data[len(self.data) - size :]
        return Record(self.lines[-1], self.kind, self.end - size, data)

    @property
    def first(self) -> Record:
        """The first record."""
        return Record(self.line, self.kind, self.address, self.data[: self.sizes[0]])


class Unread(NamedTuple):
    """A line that is no record."""

    line: int
    text: bytes
    """Its beginning."""


Item = Record | Run | Unread
"""What stands in a file, in its order."""
