"""Fletcher and Adler: two sums modulo one number, the second one in the high half.

Facts
-----
- Fletcher-16 adds bytes modulo 255, Fletcher-32 adds 16-bit words (low byte first, padded
  with a zero byte) modulo 65535; both start at 0. J. Fletcher, "An Arithmetic Checksum for
  Serial Transmissions", IEEE Transactions on Communications, 1982; test vectors in the tests.
- Adler-32: RFC 1950, section 8.2. The first sum starts at 1, modulo 65521.
- With M_k = Σ_{m<k} m·b_m the second sum of a block is c1 = Σ (j - m)·b_m. So, given that the
  first sum fits: M_i = M_j + c1 - j·c0.
- A first sum that starts at 1 adds 1 to itself and the length to the second: the start's side
  is then M_i - i, and its end's has c0 - 1 in the first sum, c0 in the second.
- Modulo 255 and 65535 the stored FF.. is another way to write 00.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from math import log2
from typing import TYPE_CHECKING

from memtool.core.checksums.sums import FEW, Sum, running
from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from memtool.core.checksums.sums import Bytes, Indexes, Numbers, Prefix

_BLOCK = 1 << 16
"""Elements added at a time: sums of so many weighted 16-bit words stay below 2**48."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairedSum(Sum):
    """A sum and the sum of its sums."""

    modulus: int
    start: int = 0
    """What the first sum starts at."""

    @property
    def family(self) -> str:
        return "fletcher"

    @property
    def meaning(self) -> str:
        return "Fletcher: two sums, the second one in the high half"

    @property
    def pads(self) -> bool:
        return self.element > 1

    @property
    def adds_itself(self) -> bool:
        return False

    @property
    def is_common(self) -> bool:
        return False

    @property
    def bits(self) -> float:
        return 2 * log2(self.modulus)

    @property
    def _half(self) -> int:
        return self.width // 2

    def compute(self, data: bytes) -> int:
        words = self._words_of(data + b"\0" * (len(data) % self.element))
        first, second = self.start, 0
        if len(words) < FEW:
            for word in words.tolist():
                first += word
                second += first
            return second % self.modulus << self._half | first % self.modulus
        for begin in range(0, len(words), _BLOCK):
            block = words[begin : begin + _BLOCK].astype(np.int64)
            # The second sum adds the first one up after every element: the first element is in it
            # as often as there are elements, the last one once.
            weights = np.arange(len(block), 0, -1, dtype=np.int64)
            second = (second + len(block) * first + int(np.dot(weights, block))) % self.modulus
            first = (first + int(block.sum())) % self.modulus
        return second << self._half | first

    def is_same(self, one: int, other: int) -> bool:
        mask = (1 << self._half) - 1
        return all(
            ((one >> shift & mask) - (other >> shift & mask)) % self.modulus == 0
            for shift in (0, self._half)
        )

    def goal(self, total: int, number: int, stored: bytes) -> int:
        """Never asked: no block is known to make a total of two sums.

        Raises:
            ValueError: always.
        """
        raise ValueError(f"{self.name} makes no total")

    def prefix(self, image: Bytes) -> Prefix:
        elements = self._elements(image)
        # Counted in elements from the image's start: M_k of the module's text.
        index = np.arange(len(image), dtype=np.int64) // self.element
        first = running(elements, np.add, step=self.element)
        second = running(self._reduced(elements * index), np.add, step=self.element)
        # Reduced, they take half the room.
        return self._reduced(first).astype(np.uint32), self._reduced(second).astype(np.uint32)

    def start_sides(self, prefix: Prefix) -> Numbers:
        first, second = prefix
        high = second.astype(np.int64)
        if self.start:
            high = high - self.start * np.arange(len(high), dtype=np.int64)
        return self._pair(first.astype(np.int64), high)

    def end_sides(
        self, prefix: Prefix, image: Bytes, ends: Indexes, numbers: Numbers, *, odd_length: bool
    ) -> Numbers:
        half = np.uint64(self._half)
        low = (numbers & np.uint64((1 << self._half) - 1)).astype(np.int64)
        high = (numbers >> half).astype(np.int64)
        head = ends - odd_length
        sums, weighted = (side[head].astype(np.int64) for side in prefix)
        place = ends // self.element
        if odd_length:
            # The padded word lies at the index of its first byte, its last byte.
            last = image[head].astype(np.int64)
            place = (ends + 1) // self.element
            sums = sums + last
            weighted = weighted + last * self._reduced(head // self.element)
        # Reduced before they are multiplied: 64 bits would not hold the product of a long image.
        moved = self._reduced(place) * self._reduced(low)
        return self._pair(sums - (low - self.start), weighted + high - moved)

    @property
    def drift_width(self) -> int:
        return self._half

    def drift(self, sides: Numbers, others: Numbers) -> Numbers:
        mask = np.uint64((1 << self._half) - 1)
        low = (sides & mask).astype(np.int64) - (others & mask).astype(np.int64)
        return self._reduced(low).view(np.uint64)

    def _pair(self, low: NDArray[np.int64], high: NDArray[np.int64]) -> Numbers:
        paired = self._reduced(high).view(np.uint64)
        paired <<= np.uint64(self._half)
        paired |= self._reduced(low).view(np.uint64)
        return paired

    def _reduced(self, numbers: NDArray[np.int64]) -> NDArray[np.int64]:
        """What `%` gives, in a third of its time: numpy divides by one number fast, and takes
        remainders slowly."""
        rest = numbers // self.modulus
        rest *= -self.modulus
        rest += numbers
        return rest


class AdlerSum(PairedSum):
    """The one that the standard library has."""

    __slots__ = ()

    @property
    def family(self) -> str:
        return "adler"

    @property
    def meaning(self) -> str:
        return "Adler: two sums modulo 65521 (RFC 1950)"

    def compute(self, data: bytes) -> int:
        return zlib.adler32(data)
