"""S-record, written: the shortest address that fits, and a count of the records."""

from __future__ import annotations

from collections.abc import Iterator

from memtool.core.image import Image
from memtool.formats.s_record import COUNT_TYPES, DATA_TYPES, END_OF, HEADER, S_RECORD
from memtool.formats.writable import require_writable

MAX_RECORD_LENGTH = 250
"""Data bytes of an S3 record whose count byte is FF."""


def encode_s_record(image: Image, *, record_length: int = 16) -> bytes:
    """S0, data records of the shortest address that fits, S5 or S6, and the end record.

    Args:
        image: At least one byte.
        record_length: Data bytes a record, at most 250.

    Raises:
        ValueError: no data, an address past 4 GiB, or a record length out of range.
    """
    extent = require_writable(image, record_length, longest=MAX_RECORD_LENGTH)
    kind = next(kind for kind in DATA_TYPES if extent.end <= S_RECORD.limit(kind))
    lines = [_line(HEADER, 0, b"")]
    for segment in image.segments:
        for offset in range(0, len(segment.data), record_length):
            data = segment.data[offset : offset + record_length]
            lines.append(_line(kind, segment.start + offset, data))
    lines.extend(_count_lines(len(lines) - 1))
    lines.append(_line(END_OF[kind], 0, b""))
    return "".join(lines).encode("ascii")


def _count_lines(count: int) -> Iterator[str]:
    for kind in COUNT_TYPES:
        if count < S_RECORD.limit(kind):
            yield _line(kind, count, b"")
            return


def _line(kind: int, address: int, data: bytes) -> str:
    width = S_RECORD.types[kind].width
    body = bytes([width + len(data) + 1]) + address.to_bytes(width, "big") + data
    return f"S{kind}{body.hex().upper()}{~sum(body) & 0xFF:02X}\n"
