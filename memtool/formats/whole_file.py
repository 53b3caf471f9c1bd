"""Reads ordinary hex files by operations over blocks of whole lines, many times faster.

Only a file that is right in every respect is read here. Wherever anything is missing, odd
or wrong the answer is None, and the line by line readers explain it; they accept all that
is accepted here, with the same image and without a finding. This module loads numpy, so it
is imported where a file is long enough to be worth that.
"""

from __future__ import annotations

import binascii
from collections.abc import Iterable, Iterator
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from memtool.core.image import Image
from memtool.formats.parsed import require_data_size

_BLOCK = 1 << 19
"""Characters worked on at a time: the arrays of a block stay in the processor's cache."""
_ADDRESS_SPACE = 1 << 32
_SEGMENT_SIZE = 0x10000
_SHIFTS = {2: 4, 4: 16}
"""By how many bits the number of an address record is shifted, by type."""

Bytes = NDArray[np.uint8]
Numbers = NDArray[np.int64]


class _OddError(Exception):
    """Something is not ordinary. Never leaves this module."""


class _Block(NamedTuple):
    """The records of some whole lines."""

    body: Bytes
    """All bytes of all records, one after the other."""
    first: Numbers
    """Index of each record's first byte in `body`."""
    sizes: Numbers
    """Bytes of each record."""


class _Records(NamedTuple):
    """The records of a block, their length bytes and checksums right."""

    head: Bytes
    """One row a record: its bytes before the data."""
    length: Numbers
    """Data bytes of each record."""
    payload: bytes
    """The data of all records, one after the other."""

    @property
    def position(self) -> Numbers:
        """Where the data of each record begins in `payload`."""
        return np.cumsum(self.length) - self.length


Piece = tuple[int, bytes]


def sound_intel_hex(text: bytes) -> Image | None:
    """The image of a faultless Intel HEX file that gives no cause for a finding, or None.

    Raises:
        ImageFormatError: more data than is read.
    """
    reading = _IntelHex()
    try:
        image = _join(reading.add(_records(block, b":", 4)) for block in _blocks(text, b":"))
        _require(reading.ended)
    except _OddError:
        return None
    return image


def sound_s_record_data(text: bytes, kind: int) -> tuple[Image, int] | None:
    """Image and number of faultless S-record lines, all of data type `kind`, or None.

    Raises:
        ImageFormatError: more data than is read.
    """
    reading = _SRecordData(kind)
    try:
        blocks = _blocks(text, b"S")
        image = _join(reading.add(_records(block, b"S", kind + 3)) for block in blocks)
    except _OddError:
        return None
    return image, reading.count


class _IntelHex:
    """What carries over from block to block of an Intel HEX file."""

    def __init__(self) -> None:
        self.ended = False
        self._shift = 0
        """What the address records so far shift their number by; 0 before the first."""
        self._base = 0
        self._starts = 0

    def add(self, records: _Records) -> list[Piece]:
        """The data of a block, at its addresses."""
        _require(not self.ended)
        _require(not np.any(records.head[:, 0] != records.length))
        kind = records.head[:, 3]
        offset = _big_endian(records.head[:, 1:3])
        _require(int(kind.max()) <= 5)
        other = np.flatnonzero(kind)
        # Types 01 to 05 have their own lengths and no offset.
        wanted = np.array([0, 0, 2, 4, 2, 4])[kind[other]]
        _require(not np.any(records.length[other] != wanted) and not np.any(offset[other]))
        kinds = kind[other].tolist()
        self._starts += kinds.count(3) + kinds.count(5)
        self.ended = kinds[-1:] == [1] and int(other[-1]) == len(kind) - 1
        _require(self._starts <= 1 and kinds.count(1) == int(self.ended))
        steps = other[(kind[other] == 2) | (kind[other] == 4)]
        bases = self._bases(records, steps)
        rows = np.flatnonzero((kind == 0) & (records.length > 0))
        base, start = bases[np.searchsorted(steps, rows)], offset[rows]
        end = start + records.length[rows]
        if self._shift == 16:
            _require(not np.any(base + end > _ADDRESS_SPACE))
        else:
            _require(not np.any(end > _SEGMENT_SIZE))
        return _runs(records, rows, base + start)

    def _bases(self, records: _Records, steps: Numbers) -> Numbers:
        """The base in force, then that of each address record in `steps`."""
        bases = np.full(len(steps) + 1, self._base, dtype=np.int64)
        if len(steps):
            shifts = {_SHIFTS[kind] for kind in records.head[steps, 3].tolist()}
            shifts |= {self._shift or min(shifts)}
            _require(len(shifts) == 1)
            self._shift = shifts.pop()
            payload = np.frombuffer(records.payload, dtype=np.uint8)
            number = payload[records.position[steps][:, None] + np.arange(2)]
            bases[1:] = _big_endian(number) << self._shift
            self._base = int(bases[-1])
        return bases


class _SRecordData:
    """Counts the data records of an S-record file."""

    def __init__(self, kind: int) -> None:
        self.count = 0
        self._kind = kind

    def add(self, records: _Records) -> list[Piece]:
        """The data of a block, at its addresses."""
        width = self._kind + 1
        _require(not np.any(records.head[:, 0] != self._kind))
        # The count byte counts address, data and checksum.
        _require(not np.any(records.head[:, 1] != records.length + (width + 1)))
        address = _big_endian(records.head[:, 2:])
        _require(not np.any(address + records.length > 1 << 8 * width))
        self.count += len(address)
        rows = np.flatnonzero(records.length)
        return _runs(records, rows, address[rows])


def _require(ordinary: bool) -> None:
    if not ordinary:
        raise _OddError


def _big_endian(columns: Bytes) -> Numbers:
    """The number in each row."""
    numbers = np.zeros(len(columns), dtype=np.int64)
    for column in range(columns.shape[1]):
        numbers = numbers << 8 | columns[:, column]
    return numbers


def _runs(records: _Records, rows: Numbers, address: Numbers) -> list[Piece]:
    """The data records in `rows`, each at its address, those joined that follow each other."""
    if not len(rows):
        return []
    length, position = records.length[rows], records.position[rows]
    end, after = address + length, position + length
    # A run goes on while the next record follows in memory and in the payload.
    breaks = np.flatnonzero((address[1:] != end[:-1]) | (position[1:] != after[:-1])) + 1
    first = np.concatenate(([0], breaks))
    last = np.concatenate((breaks, [len(rows)])) - 1
    runs = zip(address[first].tolist(), position[first].tolist(), after[last].tolist(), strict=True)
    return [(start, records.payload[a:b]) for start, a, b in runs]


def _join(blocks: Iterable[list[Piece]]) -> Image:
    """The image of all runs; they must not overlap."""
    pieces: list[Piece] = []
    size = 0
    for runs in blocks:
        pieces += runs
        size += sum(len(data) for _, data in runs)
        require_data_size(size)
    _require(bool(pieces))
    pieces.sort(key=lambda piece: piece[0])
    _require(all(a[0] + len(a[1]) <= b[0] for a, b in pairwise(pieces)))
    return Image.from_pieces(pieces)


def _records(block: _Block, mark: bytes, head_size: int) -> _Records:
    """The records of a block, checksums verified."""
    length = block.sizes - (head_size + 1)
    _require(int(length.min()) >= 0)
    head = block.body[block.first[:, None] + np.arange(head_size)]
    sums = np.add.reduceat(block.body, block.first, dtype=np.uint8)
    if mark == b":":
        _require(not np.any(sums))
    else:
        # The type, here a byte of its own, is not in an S-record's sum.
        _require(not np.any(sums - head[:, 0] != 0xFF))
    return _Records(head, length, _data_of(block, head_size))


def _data_of(block: _Block, head_size: int) -> bytes:
    """The bytes between head and checksum of every record, joined."""
    size = int(block.sizes[0])
    if not np.any(block.sizes != size):
        return block.body.reshape(-1, size)[:, head_size:-1].tobytes()
    keep = np.ones(len(block.body), dtype=np.bool_)
    for column in range(head_size):
        keep[block.first + column] = False
    keep[block.first + block.sizes - 1] = False
    return block.body[keep].tobytes()


def _blocks(text: bytes, mark: bytes) -> Iterator[_Block]:
    """The text in blocks of whole lines, as the bytes of their records."""
    start = 0
    while start < len(text):
        end = len(text)
        if end - start > _BLOCK:
            end = text.rfind(b"\n", start, start + _BLOCK) + 1
            _require(end > 0)
        lines = text[start:end]
        yield _decode(lines.replace(b"\r\n", b"\n") if b"\r" in lines else lines, mark)
        start = end


def _decode(lines: bytes, mark: bytes) -> _Block:
    if not lines.endswith(b"\n"):
        lines += b"\n"
    characters = np.frombuffer(lines, dtype=np.uint8)
    ends = np.flatnonzero(characters == 0x0A)
    starts = np.concatenate(([0], ends[:-1] + 1))
    _require(not np.any(characters[starts] != mark[0]))
    if mark == b":":
        digits = ends - starts - 1
        hexadecimal = lines.translate(None, b":\n")
        # Shorter where a line has a second colon.
        _require(len(hexadecimal) == int(digits.sum()))
    else:
        # With 0 for S the type digit becomes a byte of its own.
        _require(lines.count(mark) == len(starts))
        digits = ends - starts
        hexadecimal = lines.replace(b"S", b"0").translate(None, b"\n")
    _require(not np.any(digits & 1))
    try:
        body = np.frombuffer(binascii.unhexlify(hexadecimal), dtype=np.uint8)
    except binascii.Error:
        raise _OddError from None
    sizes = digits >> 1
    return _Block(body, np.cumsum(sizes) - sizes, sizes)
