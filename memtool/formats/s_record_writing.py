"""S-record, written: the shortest address that fits, and a count of the records."""

from __future__ import annotations

from collections.abc import Iterator

from memtool.core.image import Image
from memtool.core.span import format_address
from memtool.formats.s_record import ADDRESS_WIDTHS, COUNT_TYPES, DATA_TYPES, END_OF

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
    extent = image.extent
    if extent is None:
        raise ValueError("an image without data has no file")
    if extent.end > 1 << 32:
        raise ValueError(f"address {format_address(extent.end - 1)} is past 4 GiB")
    if not 1 <= record_length <= MAX_RECORD_LENGTH:
        raise ValueError(f"record length {record_length} is not 1 to {MAX_RECORD_LENGTH}")
    kind = next(kind for kind in DATA_TYPES if extent.end <= 1 << 8 * ADDRESS_WIDTHS[kind])
    lines = [_line(0, 0, b"")]
    for segment in image.segments:
        for offset in range(0, len(segment.data), record_length):
            data = segment.data[offset : offset + record_length]
            lines.append(_line(kind, segment.start + offset, data))
    lines.extend(_count_lines(len(lines) - 1))
    lines.append(_line(END_OF[kind], 0, b""))
    return "".join(lines).encode("ascii")


def _count_lines(count: int) -> Iterator[str]:
    for kind in COUNT_TYPES:
        if count < 1 << 8 * ADDRESS_WIDTHS[kind]:
            yield _line(kind, count, b"")
            return


def _line(kind: int, address: int, data: bytes) -> str:
    width = ADDRESS_WIDTHS[kind]
    body = bytes([width + len(data) + 1]) + address.to_bytes(width, "big") + data
    return f"S{kind}{body.hex().upper()}{~sum(body) & 0xFF:02X}\n"
