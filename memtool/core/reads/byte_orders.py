"""Whole images in the byte and bit orders a reader may deliver instead of the chip's own.

Names are those of the stored forms, so that a finding can name the ``--view`` that mends
the order. Each of these orders undoes itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from memtool.core.reads.runs import Bytes

ORDERS: tuple[tuple[str, str], ...] = (
    ("swapped-16", "the two bytes of each 16-bit word swapped"),
    ("swapped-32", "the four bytes of each 32-bit word reversed"),
    ("inverted", "every bit inverted"),
    ("bits-reversed", "the bits of each byte in reverse order"),
)
"""Name and words."""

_REVERSED_BITS = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))


def reordered(data: Bytes, name: str) -> Bytes | None:
    """`data` in the other order; None where it does not divide into whole words.

    Raises:
        ValueError: no order has that name.
    """
    import numpy as np

    if name in ("swapped-16", "swapped-32"):
        width = 2 if name == "swapped-16" else 4
        if len(data) % width:
            return None
        return data.reshape(-1, width)[:, ::-1].reshape(-1)
    if name == "inverted":
        return ~data
    if name == "bits-reversed":
        return np.frombuffer(_REVERSED_BITS, dtype=np.uint8)[data]
    raise ValueError(f"no order is named {name!r}")
