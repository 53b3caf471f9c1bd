"""Sums that are no CRC: bytes, words, XOR, Fletcher, Adler. Plain values, before complements.

Facts
-----
- Fletcher-16 adds bytes modulo 255, Fletcher-32 adds 16-bit words (low byte first, padded
  with a zero byte) modulo 65535; both start at 0, and the second sum is the high half.
  J. Fletcher, "An Arithmetic Checksum for Serial Transmissions", IEEE Transactions on
  Communications, 1982; test vectors in the tests.
- Adler-32: RFC 1950, section 8.2; the standard library has it.
"""

from __future__ import annotations

import zlib
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

ByteOrder = Literal["big", "little"]

_BLOCK = 1 << 16
"""Elements added at a time: sums of so many weighted 16-bit words stay below 2**48."""


def add_bytes(data: bytes) -> int:
    """The sum of all bytes, not cut to any width."""
    import numpy as np  # Late: a start without a sum must not pay for it.

    return int(np.frombuffer(data, np.uint8).sum(dtype=np.uint64))


def add_words(data: bytes, order: ByteOrder) -> int:
    """The sum of all 16-bit words, not cut to any width.

    Raises:
        ValueError: an odd number of bytes.
    """
    import numpy as np

    if len(data) % 2:
        raise ValueError(f"a sum of 16-bit words needs an even number of bytes, not {len(data)}")
    words = np.frombuffer(data, ">u2" if order == "big" else "<u2")
    return int(words.sum(dtype=np.uint64))


def xor_bytes(data: bytes) -> int:
    """All bytes, exclusive-ored."""
    import numpy as np

    return int(np.bitwise_xor.reduce(np.frombuffer(data, np.uint8)))


def fletcher_16(data: bytes) -> int:
    """See the facts above."""
    import numpy as np

    return _two_sums(np.frombuffer(data, np.uint8), half=8)


def fletcher_32(data: bytes) -> int:
    """See the facts above."""
    import numpy as np

    return _two_sums(np.frombuffer(data + b"\0" * (len(data) % 2), "<u2"), half=16)


def adler_32(data: bytes) -> int:
    """See the facts above."""
    return zlib.adler32(data)


def _two_sums(elements: NDArray[np.unsignedinteger[Any]], *, half: int) -> int:
    """Fletcher's sums modulo 2**half - 1, the second one in the high half."""
    import numpy as np

    modulus = (1 << half) - 1
    first = second = 0
    for begin in range(0, len(elements), _BLOCK):
        block = elements[begin : begin + _BLOCK].astype(np.int64)
        weights = np.arange(len(block), 0, -1, dtype=np.int64)
        second = (second + len(block) * first + int(np.dot(weights, block))) % modulus
        first = (first + int(block.sum())) % modulus
    return second << half | first
