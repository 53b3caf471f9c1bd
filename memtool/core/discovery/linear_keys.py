"""One key of the registers of several images, linear over GF(2)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from memtool.core.discovery.register_algebra import Registers

_TRIPLES = ((13, 7, 17), (11, 5, 23), (9, 19, 15), (21, 3, 12))
"""Shifts that mix a side before it is added to a key."""


class LinearKeys:
    """Makes one 64-bit key of the registers of several images, linear over GF(2).

    Exact where all registers fit into 64 bits; otherwise distinct tuples may share a key,
    which confirming each block by computing it takes care of.
    """

    def __init__(self, width: int, count: int) -> None:
        """Take the registers' width and the number of images."""
        self._width, self._count = width, count

    def of(self, registers: Sequence[Registers]) -> Registers:
        """The key of each tuple of registers."""
        key = registers[0]
        for place in range(1, self._count):
            key = key ^ self.placed(registers[place], place)
        return key

    def of_shared(self, registers: Registers) -> Registers:
        """The key of registers that are the same in all images."""
        return self.of([registers] * self._count)

    def placed(self, registers: Registers, place: int) -> Registers:
        """What the registers of one image add to the key."""
        # Side by side as long as there is room: no two tuples share a key then.
        if (place + 1) * self._width <= 64:
            return registers << np.uint64(place * self._width)
        # Shifts and exclusive-or alone: it stays linear, and each step can be undone.
        mixed = registers
        for turn in range(place // len(_TRIPLES) + 1):
            left, right, again = _TRIPLES[(place + turn) % len(_TRIPLES)]
            mixed = mixed ^ (mixed << np.uint64(left))
            mixed = mixed ^ (mixed >> np.uint64(right))
            mixed = mixed ^ (mixed << np.uint64(again))
        return mixed
