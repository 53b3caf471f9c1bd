"""Reads ordinary hex files by operations over blocks of whole lines, many times faster.

Only a file that is right in every respect is read here. Wherever anything is missing, odd
or wrong the answer is None, and the line by line readers explain it; they accept all that
is accepted here, with the same image and without a finding. This module loads numpy, so it
is imported where a file is long enough to be worth that.
"""

from __future__ import annotations

import binascii
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from memtool.core.image import Image
from memtool.formats.parsed import require_data_size

_BLOCK = 1 << 19
"""Characters worked on at a time: the arrays of a block stay in the processor's cache."""
_ADDRESS_SPACE = 1 << 32

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
    """All records of a text."""

    head: Bytes
    """One row a record: its bytes before the data."""
    length: Numbers
    """Data bytes of each record."""
    payload: bytes
    """The data of all records, one after the other."""


def sound_intel_hex(text: bytes) -> Image | None:
    """The image of a faultless Intel HEX file that gives no cause for a finding, or None.

    Raises:
        ImageFormatError: more data than is read.
    """
    try:
        records = _read_records(text, b":", head_size=4, total=0)
        return _intel_hex_image(records)
    except _OddError:
        return None


def sound_s_record_data(text: bytes, kind: int) -> tuple[Image, int] | None:
    """Image and number of faultless S-record lines, all of data type `kind`, or None.

    Raises:
        ImageFormatError: more data than is read.
    """
    width = kind + 1
    try:
        records = _read_records(text, b"S", head_size=2 + width, total=0xFF + kind)
        _require(not np.any(records.head[:, 0] != kind))
        address = _big_endian(records.head[:, 2:])
        _require(not np.any(address + records.length > 1 << 8 * width))
        return _join(records, np.arange(len(address)), address), len(address)
    except _OddError:
        return None


def _require(ordinary: bool) -> None:
    if not ordinary:
        raise _OddError


def _intel_hex_image(records: _Records) -> Image:
    kind = records.head[:, 3]
    offset = _big_endian(records.head[:, 1:3])
    ends = np.flatnonzero(kind == 1)
    _require(len(ends) == 1 and int(ends[0]) == len(kind) - 1 and int(kind.max()) <= 5)
    other = np.flatnonzero(kind != 0)
    # Types 01 to 05 have their own lengths and no offset.
    wanted = np.array([0, 0, 2, 4, 2, 4])[kind[other]]
    _require(not np.any(records.length[other] != wanted) and not np.any(offset[other]))
    starts = (kind == 3) | (kind == 5)
    _require(int(np.count_nonzero(starts)) <= 1)
    steps = np.flatnonzero((kind == 2) | (kind == 4))
    linear = bool(np.any(kind[steps] == 4))
    _require(not (linear and np.any(kind[steps] == 2)))
    rows = np.flatnonzero((kind == 0) & (records.length > 0))
    base = _bases(records, steps, shift=16 if linear else 4)[np.searchsorted(steps, rows)]
    address = base + offset[rows]
    if linear:
        _require(not np.any(address + records.length[rows] > _ADDRESS_SPACE))
    else:
        _require(not np.any(offset[rows] + records.length[rows] > 0x10000))
    return _join(records, rows, address)


def _bases(records: _Records, steps: Numbers, *, shift: int) -> Numbers:
    """Base 0, then that of each address record in `steps`."""
    bases = np.zeros(len(steps) + 1, dtype=np.int64)
    if len(steps):
        payload = np.frombuffer(records.payload, dtype=np.uint8)
        position = (np.cumsum(records.length) - records.length)[steps]
        bases[1:] = _big_endian(payload[position[:, None] + np.arange(2)]) << shift
    return bases


def _big_endian(columns: Bytes) -> Numbers:
    """The number in each row."""
    numbers = np.zeros(len(columns), dtype=np.int64)
    for column in range(columns.shape[1]):
        numbers = numbers << 8 | columns[:, column]
    return numbers


def _join(records: _Records, rows: Numbers, address: Numbers) -> Image:
    """The image of the data records in `rows`, each at its address."""
    _require(len(rows) > 0)
    length = records.length[rows]
    position = (np.cumsum(records.length) - records.length)[rows]
    end, after = address + length, position + length
    # A run goes on while the next record follows in memory and in the payload.
    breaks = np.flatnonzero((address[1:] != end[:-1]) | (position[1:] != after[:-1])) + 1
    first = np.concatenate(([0], breaks))
    last = np.concatenate((breaks, [len(rows)])) - 1
    run_start, run_end = address[first], end[last]
    order = np.argsort(run_start, kind="stable")
    _require(not np.any(run_start[order][1:] < run_end[order][:-1]))
    pieces = zip(run_start.tolist(), position[first].tolist(), after[last].tolist(), strict=True)
    return Image.from_pieces((start, records.payload[a:b]) for start, a, b in pieces)


def _read_records(text: bytes, mark: bytes, *, head_size: int, total: int) -> _Records:
    """All lines as records whose length byte and checksum are right.

    Args:
        text: Whole lines.
        mark: The character that begins each line.
        head_size: Bytes of a record before its data.
        total: What all bytes of a record add up to, mod 256.
    """
    heads: list[Bytes] = []
    lengths: list[Numbers] = []
    payload: list[bytes] = []
    size = 0
    for block in _blocks(text, mark):
        data_length = block.sizes - (head_size + 1)
        _require(int(data_length.min()) >= 0)
        sums = np.add.reduceat(block.body, block.first, dtype=np.uint8)
        _require(not np.any(sums != total & 0xFF))
        head = block.body[block.first[:, None] + np.arange(head_size)]
        # Intel HEX counts the data; S-record all bytes after type and count.
        count = head[:, 0] if mark == b":" else head[:, 1].astype(np.int64) - (head_size - 1)
        _require(not np.any(count != data_length))
        heads.append(head)
        lengths.append(data_length)
        payload.append(_data_of(block, head_size))
        is_data = head[:, 3] == 0 if mark == b":" else head[:, 0] > 0
        size += int(data_length[is_data].sum())
        require_data_size(size)
    _require(bool(heads))
    return _Records(np.concatenate(heads), np.concatenate(lengths), b"".join(payload))


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
        yield _decode(text[start:end].replace(b"\r\n", b"\n"), mark)
        start = end


def _decode(lines: bytes, mark: bytes) -> _Block:
    if not lines.endswith(b"\n"):
        lines += b"\n"
    characters = np.frombuffer(lines, dtype=np.uint8)
    ends = np.flatnonzero(characters == 0x0A)
    starts = np.concatenate(([0], ends[:-1] + 1))
    _require(not np.any(characters[starts] != mark[0]))
    _require(lines.count(mark) == len(starts))
    if mark == b":":
        digits = ends - starts - 1
        hexadecimal = lines.translate(None, b":\n")
    else:
        # With 0 for S the type digit becomes a byte of its own.
        digits = ends - starts
        hexadecimal = lines.replace(b"S", b"0").translate(None, b"\n")
    _require(not np.any(digits & 1))
    try:
        body = np.frombuffer(binascii.unhexlify(hexadecimal), dtype=np.uint8)
    except binascii.Error:
        raise _OddError from None
    sizes = digits >> 1
    return _Block(body, np.cumsum(sizes) - sizes, sizes)
