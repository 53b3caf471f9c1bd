"""Which ends have a start, by the drifts of some images, for numbers at many places at once.

Most ends are told by few images, in narrow numbers: a table of the drifts that starts have lets
few of them pass. Those are asked of all images, exactly.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from memtool.core.discovery.classes import Indexes, are_in, changes_of, distinct
from memtool.core.discovery.linear_keys import LinearKeys
from memtool.core.discovery.register_algebra import Narrow, RegisterAlgebra, Registers, narrowest

_CHOICE = np.uint64(0xA0761D6478BD642F)
"""Odd: choices that are numbered by its multiples are apart in their high bits."""
_GOLDEN = 0x9E3779B97F4A7C15
"""2^64 over the golden ratio: a product with its top bits spreads drifts over a table."""
_LEAST_BITS = 16
"""Every drift of 16 bits has a place of its own."""
_TOGETHER = 1 << 15
"""Ends looked up at a time: for more of them memory comes from the system anew at each step."""
_ROOM = 3
"""A table of wider ones has at least 2^3 places for each: one end in eight passes by mistake."""


def drift_key(width: int, prefixes: Sequence[Registers], images: Sequence[int]) -> Registers:
    """The drift of the prefixes of some images at 0 … n, as one key.

    Args:
        width: Of the register.
        prefixes: P_0 … P_n of every image.
        images: Which ones; all are taken from the first.
    """
    first, *others = (prefixes[image] for image in images)
    return LinearKeys(width, len(others)).of([first ^ other for other in others])


class DriftChoices:
    """Drifts of one polynomial for some choices of two images or more."""

    def __init__(
        self,
        algebra: RegisterAlgebra,
        prefixes: Sequence[Registers],
        choices: Sequence[tuple[int, ...]],
    ) -> None:
        """Take the prefix sides of each image, and which images each choice has."""
        self._algebra, self._size = algebra, len(prefixes[0]) - 1
        self._keys = LinearKeys(algebra.width, 0)
        # Keys that no two choices share but by chance.
        self._drifts = np.stack([drift_key(algebra.width, prefixes, each) for each in choices])
        self._drifts ^= (np.arange(len(choices), dtype=np.uint64) * _CHOICE)[:, np.newaxis]
        # Offset n is no start, only an end. Where images agree their drift stands still.
        starts = self._drifts[:, :-1].ravel()
        self._known = distinct(starts[changes_of(starts)])
        # As many images as leave few ends to chance, side by side in numbers as narrow as they can
        # be: most ends are told by these.
        wanted = -(-(self._size.bit_length() + _ROOM) // algebra.width)
        self._telling = min(wanted, max(map(len, choices)) - 1, 64 // algebra.width)
        self._kind = narrowest(self._telling * algebra.length)
        wide = 8 * self._kind.itemsize
        few = [drift_key(algebra.width, prefixes, each[: 1 + self._telling]) for each in choices]
        self._few = np.stack(few).astype(self._kind)
        self._bits = min(wide, max(_LEAST_BITS, len(self._known).bit_length() + _ROOM))
        self._spread = self._kind.type(_GOLDEN >> (64 - wide) | 1)
        self._shift = self._kind.type(wide - self._bits)
        table = np.zeros((len(choices), 1 << self._bits), bool)
        for row, own in zip(table, self._few, strict=True):
            row[self._slots(own[:-1][changes_of(own[:-1])])] = True
        self._table = table.ravel()

    def _slots(self, drifts: Narrow) -> Indexes:
        """Where each is in the table of its choice; nothing is left of `drifts`."""
        drifts *= self._spread
        drifts >>= self._shift
        return drifts.astype(np.int64)

    def find_ends(self, gone: Registers, choices: Indexes) -> tuple[Indexes, Indexes]:
        """The ends that have a start, each with the number of its place.

        Args:
            gone: For each image of a choice but its first one (row) and each place (column) how
                far the number is from that of the first image; 0 where there is no such image.
            choices: The number of each place's choice.

        Returns:
            Places, ascending, and ends.
        """
        step = max(1, _TOGETHER // self._size)
        batches = [slice(begin, begin + step) for begin in range(0, len(choices), step)]
        likely = [self._likely(gone[:, some], choices[some]) for some in batches]
        firsts = np.repeat([some.start for some in batches], [len(ends) for _, ends, _ in likely])
        rows, ends, moved = (np.concatenate(each) for each in zip(*likely, strict=True))
        places = firsts + rows
        wanted = self._drifts[choices[places], ends] ^ moved
        first = moved & self._kind.type((1 << self._algebra.width) - 1)
        for turn, numbers in enumerate(gone[self._telling :], self._telling):
            # What two images have in common comes to nothing, and what two pairs have is known.
            same = numbers == gone[0]
            own = np.where(same[places], first, 0).astype(np.uint64)
            apart = ~same & (numbers != 0)
            asked = np.flatnonzero(apart[places])
            if len(asked):
                steps = ends[asked]
                own[asked] = self._algebra.back_below(numbers[places[asked]], steps, self._size + 1)
            wanted ^= self._keys.placed(own, turn)
        right = are_in(self._known, wanted)
        return places[right], ends[right]

    def _likely(self, gone: Registers, choices: Indexes) -> tuple[Indexes, Indexes, Narrow]:
        """Places, ends that may have a start, and what the numbers add to its drift, of the
        telling images."""
        moved = self._moved(gone)
        # In place: new memory for each step would take longer than the step.
        drifts = self._few[choices]
        drifts ^= moved
        slots = self._slots(drifts)
        slots += choices[:, np.newaxis] << self._bits
        # No slot is out of range: `clip` spares the check. Few pass, and those of one row are found
        # sooner than those of many.
        found = np.flatnonzero(self._table.take(slots.ravel(), mode="clip"))
        places, ends = np.divmod(found, self._size + 1)
        # No block ends at 0.
        places, ends = places[ends > 0], ends[ends > 0]
        return places, ends, moved[places, ends]

    def _moved(self, gone: Registers) -> Narrow:
        """What the numbers add to the drift that the start must have, of the telling images, for
        ends at 0 … n."""
        first, *others = gone[: self._telling]
        moved = self._algebra.narrow_sequences(first, self._size + 1).astype(self._kind, copy=False)
        for turn, numbers in enumerate(others, 1):
            sequences = self._algebra.narrow_sequences(numbers, self._size + 1)
            moved ^= sequences.astype(self._kind) << self._kind.type(turn * self._algebra.width)
        return moved
