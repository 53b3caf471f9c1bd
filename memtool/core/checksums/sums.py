"""Sums that are no CRC, one object each: what it computes, and how a search takes it apart.

A new sum is one entry in `sum_table`. All that asks about a sum asks its object: computing,
the rules of a layout, and the search for checksums of unknown place.

Facts
-----
- The elements of a sum are bytes, or 16-bit words of one byte order.
- A block's sum is what one prefix takes from another, S_j - S_i, in whatever group the sum
  adds. So a block's start has a side of its own, its end has one, and the two must be equal.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from enum import StrEnum
from functools import reduce
from operator import xor
from typing import TYPE_CHECKING, Any, ClassVar, Literal

from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Bytes = NDArray[np.uint8]
    Numbers = NDArray[np.uint64]
    Indexes = NDArray[np.int64]
    Prefix = tuple[NDArray[np.unsignedinteger[Any]], NDArray[np.unsignedinteger[Any]]]
    """First and second prefix sums; the second is a single zero where there is none."""

ByteOrder = Literal["big", "little"]
FEW = 128
"""Elements that Python adds up sooner than numpy is asked."""


class Ending(StrEnum):
    """What of a sum is stored, where it is not the sum itself."""

    ONES = "ones"
    """Its one's complement."""
    TWOS = "twos"
    """Its two's complement."""
    TOTAL = "total"
    """What is missing to a total: block and field together add up to it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sum(ABC):
    """One way to add a block's elements up to a number of `width` bits."""

    name: str
    """Our own name, without ending. Unique."""
    width: int
    """Bits of the value."""
    word_order: ByteOrder | None = None
    """16-bit words of this order are added; None: single bytes."""
    totals: tuple[int, ...] = ()
    """What a block with its number inside is known to add up to."""

    endings: ClassVar[tuple[Ending | None, ...]] = (None,)
    """What may be stored of it."""
    cancels: ClassVar[bool] = False
    """Adding is its own inverse: what is there twice is not there at all."""
    wraps: ClassVar[bool] = True
    """A small block may have any sum, so no stored number is too large for it."""

    @property
    @abstractmethod
    def family(self) -> str:
        """The kind of sum, as JSON names it."""

    @property
    @abstractmethod
    def meaning(self) -> str:
        """What is added, in a few words."""

    @property
    def element(self) -> int:
        """Bytes of one element."""
        return 1 if self.word_order is None else 2

    @property
    def length(self) -> int:
        """Bytes of the stored number."""
        return self.width // 8

    @property
    def pads(self) -> bool:
        """Whether the last byte of an odd block makes a word with a zero byte."""
        return False

    @property
    def needs_whole_words(self) -> bool:
        """Whether an odd number of bytes has no sum: nobody says how the last one is paired."""
        return self.element > 1 and not self.pads

    @property
    def adds_itself(self) -> bool:
        """Whether the stored number is one element, and so adds itself wherever it lies."""
        return self.width == 8 * self.element

    @property
    def is_common(self) -> bool:
        """Whether memories have it more often than most of the catalogue. Common practice, no
        source."""
        return self.element == 1

    @property
    def drift_width(self) -> int:
        """Bits of what `drift` gives."""
        return self.width

    @property
    def bits(self) -> float:
        """Bits of evidence that one matching image is worth."""
        return float(self.width)

    @abstractmethod
    def compute(self, data: bytes) -> int:
        """The sum of `data`, perhaps longer than `width`.

        Raises:
            ValueError: an odd number of bytes where whole words are needed.
        """

    def is_same(self, one: int, other: int) -> bool:
        """Whether two stored numbers mean the same sum."""
        return one == other

    def content(self, data: bytes) -> int | None:
        """All of `data` that the sum depends on, as one number; None where that is nothing.

        Equal for the same elements in another order.
        """
        # How often each byte stands in each half of a word: in another order the counts are the
        # same.
        return int.from_bytes(np.stack(byte_counts(data, 2)).astype(np.int64).tobytes(), "big")

    @abstractmethod
    def goal(self, total: int, number: int, stored: bytes) -> int:
        """What a block must add up to as it lies, where number and rest make `total`.

        Args:
            total: Of the block with `number` in the place of the bytes that store it.
            number: What they mean.
            stored: These bytes; they lie at whole elements of the block.
        """

    @abstractmethod
    def prefix(self, image: Bytes) -> Prefix:
        """The sum of all elements before each offset; of words, those of the offset's parity."""

    @abstractmethod
    def start_sides(self, prefix: Prefix) -> Numbers:
        """For each offset the side of a block that starts there."""

    @abstractmethod
    def end_sides(
        self, prefix: Prefix, image: Bytes, ends: Indexes, numbers: Numbers, *, odd_length: bool
    ) -> Numbers:
        """The side of the start that each end needs.

        Args:
            prefix: The image's.
            image: Its bytes.
            ends: Where blocks end.
            numbers: What the block of each end adds up to.
            odd_length: Blocks have an odd number of bytes, the last one padded.
        """

    @abstractmethod
    def drift(self, sides: Numbers, others: Numbers) -> Numbers:
        """How far two images' sides, or their blocks' sums, lie apart.

        What a start lacks of its end, in this measure, is the drift of the block's sums. Of
        sums that keep two numbers, the first alone is measured.
        """

    def _elements(self, image: Bytes) -> NDArray[np.int64]:
        """The element that begins at each offset; none begins at the last byte of words."""
        data = image.astype(np.int64)
        if self.word_order is None:
            return data
        following = np.append(data[1:], 0)
        words = data + (following << 8) if self.word_order == "little" else (data << 8) + following
        words[-1] = 0
        return words

    def _words_of(self, data: bytes) -> NDArray[np.unsignedinteger[Any]]:
        if len(data) % self.element:
            raise ValueError(
                f"a sum of 16-bit words needs an even number of bytes, not {len(data)}"
            )
        if self.word_order is None:
            return np.frombuffer(data, np.uint8)
        return np.frombuffer(data, ">u2" if self.word_order == "big" else "<u2")


class AddedSum(Sum):
    """Elements added up, in `width` bits."""

    __slots__ = ()
    endings: ClassVar[tuple[Ending | None, ...]] = (None, *Ending)
    wraps: ClassVar[bool] = False

    @property
    def family(self) -> str:
        return "sum" if self.word_order is None else "word-sum"

    @property
    def meaning(self) -> str:
        return "sum of bytes" if self.word_order is None else f"sum of words, {first_byte(self)}"

    def compute(self, data: bytes) -> int:
        if self.word_order is None and len(data) < FEW:
            return sum(data)
        return int(self._words_of(data).sum(dtype=np.uint64))

    def goal(self, total: int, number: int, stored: bytes) -> int:
        return (total - number + self.compute(stored)) % (1 << self.width)

    def prefix(self, image: Bytes) -> Prefix:
        sums = running(self._elements(image), np.add, step=self.element)
        return sums.astype(np.uint64), np.zeros(1, np.uint64)

    def start_sides(self, prefix: Prefix) -> Numbers:
        return self._cut(prefix[0])

    def end_sides(
        self, prefix: Prefix, image: Bytes, ends: Indexes, numbers: Numbers, *, odd_length: bool
    ) -> Numbers:
        return self._cut(prefix[0][ends] - self._cut(numbers))

    def drift(self, sides: Numbers, others: Numbers) -> Numbers:
        return self._cut(sides - others)

    def _cut(self, numbers: Numbers) -> Numbers:
        return numbers & np.uint64((1 << self.width) - 1)


class XoredSum(Sum):
    """Elements exclusive-ored. What comes an even number of times cancels, whatever it is."""

    __slots__ = ()
    cancels: ClassVar[bool] = True

    @property
    def family(self) -> str:
        return "xor"

    @property
    def meaning(self) -> str:
        if self.word_order is None:
            return "all bytes, exclusive-ored"
        return f"all words, exclusive-ored, {first_byte(self)}"

    def compute(self, data: bytes) -> int:
        if self.word_order is None and len(data) < FEW:
            return reduce(xor, data, 0)
        return int(np.bitwise_xor.reduce(self._words_of(data)))

    def content(self, data: bytes) -> int | None:
        """Which byte values come an odd number of times, as bits, less those with a partner.

        A byte's partner is its complement: a text and its copy, plain or inverted, always
        cancel. None where all of a lane does.
        """
        odd = np.stack(byte_counts(data, self.element)) & 1
        # Turned round, a value stands in its complement's place. One half says it all: the other is
        # its mirror.
        left = (odd ^ odd[:, ::-1])[:, :128]
        if not left.any(axis=1).all():
            return None
        return int.from_bytes(np.packbits(left.astype(np.uint8)).tobytes(), "big")

    def goal(self, total: int, number: int, stored: bytes) -> int:
        return total ^ number ^ self.compute(stored)

    def prefix(self, image: Bytes) -> Prefix:
        sums = running(self._elements(image), np.bitwise_xor, step=self.element)
        return sums.astype(np.uint64), np.zeros(1, np.uint64)

    def start_sides(self, prefix: Prefix) -> Numbers:
        return prefix[0]

    def end_sides(
        self, prefix: Prefix, image: Bytes, ends: Indexes, numbers: Numbers, *, odd_length: bool
    ) -> Numbers:
        return prefix[0][ends] ^ numbers

    def drift(self, sides: Numbers, others: Numbers) -> Numbers:
        return sides ^ others


def first_byte(one: Sum) -> str:
    """Which byte of a word comes first, in words."""
    return "high byte first" if one.word_order == "big" else "low byte first"


def byte_counts(data: bytes, lanes: int) -> list[NDArray[np.int64]]:
    """How often each byte value stands in the first, second, … byte of an element."""
    array = np.frombuffer(data, np.uint8)
    return [np.bincount(array[lane::lanes], minlength=256) for lane in range(lanes)]


def running(elements: NDArray[np.int64], add: np.ufunc, *, step: int) -> NDArray[np.int64]:
    """side[k] = elements[k - step] added to elements[k - 2·step], …"""
    side = np.zeros(len(elements) + 1, np.int64)
    for phase in range(step):
        target = side[phase + step :: step]
        # Words begin at every offset, so there are two chains: those at even offsets and those at
        # odd ones.
        target[:] = add.accumulate(elements[phase::step])[: len(target)]
    return side
