"""What two neighbouring bytes have between them that a key on both does not change.

Under an exclusive or the key falls out of the exclusive or of two neighbours, and a key that
is added falls out of their difference. A text under an unknown key is so found by its steps.
"""

from __future__ import annotations

from memtool.lazy import np

LONG = 1 << 17
"""Bytes from which on numpy is worth loading."""


def xor_steps(data: bytes) -> bytes:
    """Each byte combined with the next one by exclusive or; a byte fewer than `data`."""
    if len(data) < 2:
        return b""
    if len(data) >= LONG:
        values = np.frombuffer(data, np.uint8)
        return (values[:-1] ^ values[1:]).tobytes()
    here, following = _neighbours(data)
    return (here ^ following).to_bytes(len(data) - 1, "big")


def added_steps(data: bytes) -> bytes:
    """What must be added to each byte to get the next, modulo 256; a byte fewer than `data`."""
    size = len(data) - 1
    if size < 1:
        return b""
    if len(data) >= LONG:
        values = np.frombuffer(data, np.uint8)
        return (values[1:] - values[:-1]).tobytes()
    here, following = _neighbours(data)
    # All bytes at once, as digits of two long numbers. The high bit of each byte is set
    # before the subtraction and mended after it, so that no byte borrows from another.
    high = int.from_bytes(b"\x80" * size, "big")
    low = int.from_bytes(b"\x7f" * size, "big")
    steps = ((following | high) - (here & low)) ^ ((following ^ here ^ high) & high)
    return steps.to_bytes(size, "big")


def _neighbours(data: bytes) -> tuple[int, int]:
    return int.from_bytes(data[:-1], "big"), int.from_bytes(data[1:], "big")
