"""Views of an image in which texts stand in order, each with the way back to addresses.

A view undoes what was done to the order and spacing of bytes: words swapped, a text in
every second or fourth byte. Where words begin is not known (a partial read may start at an
odd address), so there is one view for each byte of a word that the segment may begin at.
A gap between segments ends every view. Where only parts of one are worth a look they are
looked at together.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from functools import cached_property
from itertools import accumulate

from memtool.core.identity.stored_forms import swap_words
from memtool.core.image import Image, Segment


class View:
    """The bytes of one segment in another order; places count from 0."""

    def __init__(self, segment: Segment, *, unit: int = 1, stride: int = 1, phase: int = 0) -> None:
        """Undo the order of one segment.

        Args:
            segment: Where the bytes come from.
            unit: Bytes of the words that are swapped back; words that the segment does not
                hold whole are left out.
            stride: Every so-many-th byte is taken.
            phase: Offset in the segment of the first word, or of the first byte taken.
        """
        self.unit, self.stride, self.phase = unit, stride, phase
        self._first = segment.start + phase
        data = segment.data
        if unit > 1:
            whole = max(0, len(data) - phase) // unit * unit
            data = swap_words(data[phase : phase + whole], unit)
        elif stride > 1:
            data = data[phase::stride]
        self.data = data

    def address(self, place: int) -> int:
        """Where in memory the byte at `place` lies."""
        if self.unit > 1:
            return self._first + place + self.unit - 1 - 2 * (place % self.unit)
        return self._first + place * self.stride

    @cached_property
    def xor_steps(self) -> bytes:
        """Each byte combined with the next one by exclusive or: no key changes these."""
        if len(self.data) < 2:
            return b""
        here, following = _neighbours(self.data)
        return (here ^ following).to_bytes(len(self.data) - 1, "big")

    @cached_property
    def added_steps(self) -> bytes:
        """What must be added to each byte to get the next, modulo 256: no key changes these."""
        size = len(self.data) - 1
        if size < 1:
            return b""
        here, following = _neighbours(self.data)
        # All bytes at once, as digits of two long numbers. The high bit of each byte is set
        # before the subtraction and mended after it, so that no byte borrows from another.
        high = int.from_bytes(b"\x80" * size, "big")
        low = int.from_bytes(b"\x7f" * size, "big")
        steps = ((following | high) - (here & low)) ^ ((following ^ here ^ high) & high)
        return steps.to_bytes(size, "big")


def _neighbours(data: bytes) -> tuple[int, int]:
    return int.from_bytes(data[:-1], "big"), int.from_bytes(data[1:], "big")


class Parts:
    """Parts of a view put behind each other, so that many small ones cost no more than one."""

    def __init__(self, source: View, parts: Sequence[tuple[int, int]], *, apart: bytes) -> None:
        """Join parts, each given by its first place and the one behind its last.

        Args:
            source: Where they come from.
            parts: Sorted.
            apart: Stands between two of them. It must be two words at least where words of
                the joined bytes are swapped, and break whatever is searched for in each.
        """
        self._source = source
        self._places = [first for first, _ in parts]
        self._sizes = [end - first for first, end in parts]
        self._starts = list(accumulate((size + len(apart) for size in self._sizes), initial=0))
        self.joined = Segment(0, apart.join(source.data[first:end] for first, end in parts))

    def words_around(self, offset: int, unit: int, phase: int) -> tuple[int, int]:
        """(first, end) of the places of a view of `joined` that show whole words of one part.

        The part is the one that holds `offset`; the view is that of `unit` and `phase`.
        """
        number = bisect_right(self._starts, offset) - 1
        start = self._starts[number]
        end = start + self._sizes[number]
        return -((phase - start) // unit) * unit, (end - phase) // unit * unit

    def address(self, offset: int) -> int:
        """Where in memory the byte of `joined` at `offset` lies."""
        number = bisect_right(self._starts, offset) - 1
        return self._source.address(self._places[number] + offset - self._starts[number])


def make_views(image: Image, *, unit: int = 1, stride: int = 1) -> Iterator[View]:
    """All views of one kind: every segment, at every phase."""
    for segment in image.segments:
        for phase in range(max(unit, stride)):
            yield View(segment, unit=unit, stride=stride, phase=phase)
