"""Which blocks of constant total follow from others: a union of borders.

A block whose sum is the same in all images says that two borders, each as far as bytes are
equal in all images, differ by a constant sum. Such facts join: what lies between two
borders that are linked already follows, whether it is one block and its surroundings, two
blocks and the gap between them, or what one leaves of another.
"""

from __future__ import annotations

from collections.abc import Hashable

import numpy as np

from memtool.core.checksums.algorithms import get_algorithm
from memtool.core.checksums.sums import Sum
from memtool.core.discovery.collecting import Candidate
from memtool.core.discovery.results import Placement


class TotalLinks:
    """Borders linked by the rows taken so far."""

    def __init__(self) -> None:
        """Start with none linked."""
        self._parents: dict[Hashable, Hashable] = {}
        self._rows: dict[Hashable, int] = {}

    def row_behind(self, candidate: Candidate) -> int | None:
        """The row that a block of constant total follows from; None if from none.

        A number right behind its block is the usual way to make a total constant, so such
        blocks are never taken for what follows.
        """
        borders = _borders(candidate)
        if borders is None or candidate.search.placement is Placement.AFTER_BLOCK:
            return None
        low, high = borders
        linked = low in self._parents and self._root(low) == self._root(high)
        return self._rows[low] if linked else None

    def add(self, candidate: Candidate, row: int) -> None:
        """Take a row that was kept."""
        borders = _borders(candidate)
        if borders is not None:
            low, high = borders
            # Either border may be where what follows begins: two rows can share their start.
            self._rows.setdefault(low, row)
            self._rows.setdefault(high, row)
            self._parents[self._root(low)] = self._root(high)

    def _root(self, border: Hashable) -> Hashable:
        # Union-find; a border that was never seen is its own root. Rows are few, so paths are not
        # shortened.
        while (parent := self._parents.setdefault(border, border)) != border:
            border = parent
        return border


def _borders(candidate: Candidate) -> tuple[Hashable, Hashable] | None:
    """Both borders of block and field, if they make a constant total over differing bytes."""
    area, algorithm = candidate.area, get_algorithm(candidate.algorithm)
    one = algorithm.sum
    if one is None or not one.adds_itself or candidate.contents < 2:
        return None
    # A number behind its block, if it is a complement, makes their total constant.
    complement = one.cancels or algorithm.ending is not None
    if not complement and candidate.search.placement is not Placement.INSIDE:
        return None
    start, end = candidate.start, candidate.end
    field, behind = candidate.field, candidate.field + candidate.search.length
    # Bytes between block and field add the same in all images.
    if field >= end and area.same_content(end, field):
        end = behind
    elif behind <= start and field >= 0 and area.same_content(behind, start):
        start = field
    elif not start <= field <= end - candidate.search.length:
        return None
    # Facts join only where one sum adds the same elements.
    kind = (id(area), one.family, one.width, _low_bytes(one, start))
    low, high = (int(place) for place in np.searchsorted(area.differing, [start, end]))
    return (*kind, low), (*kind, high)


def _low_bytes(one: Sum, start: int) -> bool:
    """For sums of words whether the bytes at even offsets are the low ones: words of one
    byte order from odd offsets on are those of the other order, cut elsewhere."""
    return one.element > 1 and (start % 2 == 0) == (one.word_order == "little")
