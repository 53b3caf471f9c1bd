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
from typing import TYPE_CHECKING

from memtool.core.image import Segment
from memtool.core.texts.form_table import Form
from memtool.core.texts.stored_forms import swap_words
from memtool.lazy import np

if TYPE_CHECKING:
    from memtool.core.runs import Rows


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
        self._source, self._first = segment.data, segment.start + phase
        given = max(0, len(segment.data) - phase)
        # A last word that is not whole is no word of the chip: it has nothing to swap with.
        self.size = given // unit * unit if unit > 1 else -(-given // stride)
        self._steps: dict[str, bytes] = {}

    @cached_property
    def data(self) -> bytes:
        """All bytes of the view."""
        return self.part(0, self.size)

    def part(self, first: int, end: int) -> bytes:
        """The bytes at some places of the view; not all of them are put in order for that.

        Args:
            first: The first place.
            end: The one behind the last, at most `size`.
        """
        if self.unit > 1:
            # Whole words of the memory around them.
            start, stop = first // self.unit * self.unit, -(-end // self.unit) * self.unit
            words = self._source[self.phase + start : self.phase + stop]
            return swap_words(words, self.unit)[first - start : end - start]
        start, stop = self.phase + first * self.stride, self.phase + end * self.stride
        return self._source[start : stop : self.stride]

    def address(self, place: int) -> int:
        """Where in memory the byte at `place` lies."""
        if self.unit > 1:
            # Within its word a byte stands as far from the end as it is shown from the start.
            return self._first + place + self.unit - 1 - 2 * (place % self.unit)
        return self._first + place * self.stride

    def key_steps(self, form: Form) -> bytes:
        """What neighbouring bytes have between them under a keyed form: no key changes it."""
        if form.key_steps is None:
            raise ValueError(f"{form.name} has no key")
        if form.name not in self._steps:
            self._steps[form.name] = form.key_steps.make(self.data)
        return self._steps[form.name]


class Parts:
    """Parts of a view put behind each other, so that many small ones cost no more than one."""

    def __init__(self, source: View, parts: Rows, *, apart: bytes) -> None:
        """Join parts, each given by its first place and the one behind its last.

        Args:
            source: Where they come from.
            parts: Sorted.
            apart: Stands between two of them. It must be two words at least where words of
                the joined bytes are swapped, and break whatever is searched for in each.
        """
        self._source = source
        sizes = parts[:, 1] - parts[:, 0]
        steps = sizes + len(apart)
        data, ends = source.data, parts[:, 1].tolist()
        self._places: list[int] = parts[:, 0].tolist()
        self._sizes: list[int] = sizes.tolist()
        self._starts: list[int] = (np.cumsum(steps) - steps).tolist()
        pieces = [data[first:end] for first, end in zip(self._places, ends, strict=True)]
        self.joined = Segment(0, apart.join(pieces))

    def words_around(self, offset: int, unit: int, phase: int) -> tuple[int, int]:
        """(first, end) of the places of a view of `joined` that show whole words of one part.

        The part is the one that holds `offset`; the view is that of `unit` and `phase`.
        """
        number = bisect_right(self._starts, offset) - 1
        start = self._starts[number]
        end = start + self._sizes[number]
        # A word that reaches over an edge holds bytes of the separator, so the first place is
        # rounded up to a word and the last one down; places count from the view's phase.
        return -((phase - start) // unit) * unit, (end - phase) // unit * unit

    def address(self, offset: int) -> int:
        """Where in memory the byte of `joined` at `offset` lies."""
        number = bisect_right(self._starts, offset) - 1
        return self._source.address(self._places[number] + offset - self._starts[number])

    def addresses(self, offsets: Sequence[int]) -> list[int]:
        """The same for the bytes of one text, none of which stands in another part."""
        number = bisect_right(self._starts, offsets[0]) - 1
        ahead = self._places[number] - self._starts[number]
        return [self._source.address(ahead + offset) for offset in offsets]


def make_views(
    segment: Segment, *, unit: int = 1, stride: int = 1, least: int = 1
) -> Iterator[View]:
    """All views of one kind, one at every phase; none of a segment of fewer than `least` bytes."""
    if len(segment.data) >= least:
        for phase in range(max(unit, stride)):
            yield View(segment, unit=unit, stride=stride, phase=phase)
