"""Many bytes as JSON values: hex digits, where one byte stands for long the byte and how often.

``[["00ff12", 1], ["ff", 4096]]`` are three bytes and then 4,096 times FF.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TypeAlias

from memtool.core.runs import array_of, runs_of_mask

PackedBytes: TypeAlias = tuple[tuple[str, int], ...]
"""Hex digits and how often their bytes come, one piece behind the other."""

_LONG = 64
"""One byte this often at least is told by its number."""
_MOST = 64 << 20
"""More bytes than any image that is read; a journal that says so is wrong, and makes none."""


def pack_bytes(data: bytes) -> PackedBytes:
    """The bytes as pieces.

    Args:
        data: Of any length.

    Returns:
        Of no bytes no piece.
    """
    if not data:
        return ()
    values = array_of(data)
    # So many bytes are one fewer pairs of equal neighbours.
    alike = runs_of_mask(values[1:] == values[:-1], least=_LONG - 1)
    ends = [(first, last + 1) for first, last in alike]
    pieces = []
    for (_, start), (first, end) in pairwise([(0, 0), *ends, (len(data), len(data))]):
        if start < first:
            pieces.append((data[start:first].hex(), 1))
        if first < end:
            pieces.append((data[first : first + 1].hex(), end - first))
    return tuple(pieces)


def unpack_bytes(pieces: PackedBytes, size: int) -> bytes:
    """The bytes that `pack_bytes` was given.

    Args:
        pieces: Of the journal, so of any content.
        size: How many bytes they must be.

    Raises:
        ValueError: a piece is no hex digits, they are not so many, or more than an image has.
    """
    # Counted before anything is made: a number may say any length.
    if (
        size > _MOST
        or any(count < 1 for _, count in pieces)
        or size != sum(len(digits) // 2 * count for digits, count in pieces)
    ):
        raise ValueError(f"not {size} bytes")
    return b"".join(bytes.fromhex(digits) * count for digits, count in pieces)
