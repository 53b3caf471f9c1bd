"""Ends with numbers at fixed places, joined with the starts in every byte order at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from memtool.core.discovery.area import Area
from memtool.core.discovery.classes import Keys, Matches, StartClasses
from memtool.core.discovery.collecting import Collector, Ends, NumberOrder, Search
from memtool.core.discovery.field_ends import EndsToTry
from memtool.core.discovery.fixed_fields import FixedFields

_ALL = slice(None)


class FieldBatch:
    """Some ends, each with the column of its number, as arrays of one length."""

    def __init__(
        self,
        area: Area,
        fields: FixedFields,
        some: EndsToTry,
        orders: Sequence[NumberOrder],
        *,
        skip_adjacent: bool,
    ) -> None:
        """Keep those whose block does not reach into its field.

        Args:
            area: Where the blocks lie.
            fields: All of one length.
            some: Places are columns of `FixedFields.numbers_in` these orders, ascending.
            orders: How numbers may lie there.
            skip_adjacent: Leave out fields right after the block, which were searched before.
        """
        length = len(orders[0].significance)
        offsets = fields.offsets[some.places % len(fields)]
        # A block lies wholly before its field or wholly behind it; there it has a byte at least.
        behind = some.ends >= offsets + length + 1
        outside = behind | (some.ends < offsets + (0 if skip_adjacent else 1))
        outside &= some.ends > 0
        self.positions, self.columns = some.ends[outside], some.places[outside]
        self._area, self._fields, self._orders = area, fields, orders
        self._offsets = offsets[outside]
        # An end behind the field may not reach back over it.
        self._floors = np.where(behind[outside], np.maximum(self._offsets + length, 0), 0)
        block_limits = area.thresholds(0)[0][self.positions]
        self._limits = np.minimum(self.positions, block_limits).astype(np.int64)

    def __len__(self) -> int:
        """How many ends."""
        return len(self.positions)

    def by_order(self) -> Iterator[tuple[NumberOrder, slice]]:
        """The byte orders in which some numbers are read, and which of the ends they are of."""
        turns = self.columns // len(self._fields)
        for turn in np.unique(turns).tolist():
            low, high = np.searchsorted(turns, [turn, turn + 1])
            yield self._orders[turn], slice(int(low), int(high))

    def match(self, starts: StartClasses, keys: Keys, own: slice = _ALL) -> Matches | None:
        """Join some of the ends, whose keys are among `keys`, with the starts."""
        # Columns tell the fields apart, or ends of two fields would be taken for one block.
        return starts.match(keys[own], self._limits[own], self._floors[own], self.columns[own])

    def offer(
        self,
        collector: Collector,
        search: Search,
        matches: Matches | None,
        per_position: int,
        own: slice,
    ) -> None:
        """Report what was found for some of the ends."""
        places = self.columns[own] % len(self._fields)
        ends = Ends(
            search=search,
            positions=self.positions[own],
            fields=self._offsets[own],
            levels=self._fields.distinct[places],
        )
        stored_at = self._fields.stored_of(places)
        collector.offer(self._area, ends, matches, per_position, self._limits[own], stored_at)
