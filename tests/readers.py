"""What readers that do not write plain files make of a memory, without the code under test."""

from __future__ import annotations

import array


def swapped_16(content: bytes) -> bytes:
    """The two bytes of each word swapped, by Python's array module."""
    words = array.array("H", content)
    words.byteswap()
    return words.tobytes()


def swapped_32(content: bytes) -> bytes:
    """The four bytes of each word reversed, by Python's array module."""
    words = array.array("I", content)
    words.byteswap()
    return words.tobytes()
