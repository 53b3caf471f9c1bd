"""CRCs of several images taken from each other: what all models of a polynomial have in common.

Facts
-----
- XOR the equations of two images: start value and final XOR, which all images share, are gone.
  What remains, ΔP_i ⊕ ΔP_j = A^(-j)·Δc_j, must hold whatever the model is.
- So one join of these drifts leaves the starts and ends that all models of a polynomial, and
  constants that no catalogue knows, can have. Where images differ nearly everywhere that is
  next to nothing; where they are equal nearly everywhere it is nearly all.
- Two images are enough where chance makes few pairs of so wide a number.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from memtool.core.discovery.classes import (
    Indexes,
    StartClasses,
    changes_of,
    repeated,
)
from memtool.core.discovery.collecting import NumberOrder
from memtool.core.discovery.drift_choices import DriftChoices, drift_key
from memtool.core.discovery.linear_keys import LinearKeys
from memtool.core.discovery.register_algebra import RegisterAlgebra, Registers

_MARGIN = 8
"""So many bits more than the pairs of one end need: one end in 256 then has a pair by chance."""
_TELLING = 3
"""Images that tell much even where two of them agree."""
_SMALL = 1 << 14
"""Bytes of an area of which all choices of images are kept."""
_SHARE = 2
"""A join that leaves more than one end in so many is not worth it."""


@dataclass(frozen=True, slots=True, eq=False)
class Meeting:
    """The starts and ends that drifts leave, ascending."""

    starts: Indexes
    ends: Indexes


class CrcDrifts:
    """Drifts of one polynomial over one area, of two images or more."""

    def __init__(
        self, algebra: RegisterAlgebra, prefixes: Sequence[Registers], *, apart: bool
    ) -> None:
        """Take the prefix sides of each image.

        Args:
            algebra: Of the polynomial.
            prefixes: P_0 … P_n of each.
            apart: Whether nearly every byte that differs does so between any two images.
        """
        self.algebra, self._apart = algebra, apart
        self._prefixes = prefixes
        self.size = len(prefixes[0]) - 1
        self.all_images = tuple(range(len(prefixes)))
        # Those of one choice of images are kept: each is as large as the area's keys.
        self._kept: tuple[tuple[int, ...], Registers, StartClasses] | None = None
        self._of_choices: dict[tuple[tuple[int, ...], ...], DriftChoices] = {}

    def enough(self, images: Sequence[int]) -> tuple[int, ...]:
        """As many of `images` as it takes to leave little to chance; all, if that is not
        enough."""
        wanted = self.size.bit_length() - 1 + _MARGIN
        return tuple(images[: 1 + max(1, -(-wanted // self.algebra.width))])

    def tells(self, images: Sequence[int]) -> bool:
        """Whether the drifts of these images leave out most ends: chance alone gives each end
        less than one start."""
        return self.size >> min(64, self.algebra.width * (len(images) - 1)) == 0

    def between(self, images: Sequence[int]) -> tuple[Registers, StartClasses]:
        """The drift of the prefixes at 0 … n as one key, and that of all starts as classes."""
        images = tuple(images)
        if self._kept is None or self._kept[0] != images:
            self._kept = None
            key = drift_key(self.algebra.width, self._prefixes, images)
            self._kept = images, key, StartClasses(key[:-1])
        return self._kept[1:]

    def of_choices(self, choices: tuple[tuple[int, ...], ...]) -> DriftChoices:
        """The drifts of some choices of images, to be asked about numbers at many places."""
        if choices not in self._of_choices:
            if self.size > _SMALL:
                self._of_choices.clear()
            self._of_choices[choices] = DriftChoices(self.algebra, self._prefixes, choices)
        return self._of_choices[choices]

    def behind(self, images: Sequence[int], order: NumberOrder, positions: Indexes) -> Registers:
        """The drift that the start must have, for a number stored right behind each end."""
        # All of them in one go stay in the cache; some are gathered byte by byte.
        every = 2 * len(positions) > self.size
        first, *others = (self._prefixes[image] for image in images)
        stored: Sequence[Registers]
        if every:
            stored = [
                self.algebra.stored_sides(first ^ other, order.significance) for other in others
            ]
        else:
            fields = self.algebra.fields_at(positions)
            drifts = np.stack([other[fields] for other in others]) ^ first[fields]
            stored = list(self.algebra.stored_in(drifts, order.significance))
        key = self._keys(images).of(stored)
        return (key[positions] if every else key) ^ self.at(images, positions)

    def at(self, images: Sequence[int], positions: Indexes) -> Registers:
        """The drift of the prefixes at some positions."""
        images = tuple(images)
        if self._kept is not None and self._kept[0] == images:
            return self._kept[1][positions]
        first = self._prefixes[images[0]][positions]
        return self._keys(images).of(
            [first ^ self._prefixes[image][positions] for image in images[1:]]
        )

    def of_number(self, images: Sequence[int], stored: Registers) -> Registers:
        """The drift that the start must have, for one number of each image and ends at 0 … n.

        Args:
            images: Which ones.
            stored: The number of every image.
        """
        sequences = [
            self.algebra.back_sequence(int(stored[images[0]] ^ stored[image]), self.size + 1)
            for image in images[1:]
        ]
        key, _ = self.between(images)
        return self._keys(images).of(sequences) ^ key

    def meet(self, order: NumberOrder, asked: Indexes, *, natural: bool) -> Meeting | None:
        """What is left of all starts and of the ends asked for, with the number right behind.

        Args:
            order: Of the number's bytes.
            asked: Ends with room for a number, ascending.
            natural: The bytes lie as the register shifts them out.

        Returns:
            None where too much is left.
        """
        images = self.enough(self.all_images)
        if not self._apart:
            # What two images have in common a third one may tell apart.
            images = self.all_images[: max(_TELLING, len(images))]
        if not self.tells(images):
            return None
        key, classes = self.between(images)
        if natural:
            ends = self.coming_again(images, asked)
            keys = key[ends + self.algebra.length]
        else:
            ends, keys = asked, self.behind(images, order, asked)
        starts, hits = classes.meeting(keys)
        if _SHARE * max(len(starts), len(hits)) > self.size:
            return None
        return Meeting(starts, ends[hits])

    def coming_again(self, images: Sequence[int], asked: Indexes) -> Indexes:
        """Those of the ends, from 1 on, that may have a start, with the number right behind them as
        the register shifts it out.

        The end of such a number has the drift of the start behind it, and of all beside that
        which the images do not tell apart. Only drifts that come again, or reach back to before
        the end, have another start to meet.
        """
        key, _ = self.between(images)
        changes = changes_of(key)
        run = np.cumsum(changes) - 1
        behind = run[asked + self.algebra.length]
        again: Indexes = asked[repeated(key[changes])[behind] | (behind == run[asked - 1])]
        return again

    def _keys(self, images: Sequence[int]) -> LinearKeys:
        return LinearKeys(self.algebra.width, len(images) - 1)
