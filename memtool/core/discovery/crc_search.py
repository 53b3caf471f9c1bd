"""All blocks of all lengths whose CRC is stored, by sorting sides.

Where the number follows the block, its end's side depends on the end alone. Elsewhere the
field is fixed, and `field_ends` says which ends are worth a join.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from memtool.core.discovery.area import Area
from memtool.core.discovery.classes import Indexes
from memtool.core.discovery.collecting import (
    TIERS,
    Collector,
    Ends,
    NumberOrder,
    Search,
    number_orders,
)
from memtool.core.discovery.crc_sides import CrcSides
from memtool.core.discovery.evidence import are_told, expected_by_level
from memtool.core.discovery.field_batches import FieldBatch
from memtool.core.discovery.field_ends import crc_ends
from memtool.core.discovery.fixed_fields import FixedFields, Numbers
from memtool.core.discovery.register_algebra import Registers
from memtool.core.discovery.results import Placement

_DENSE = 8
"""One register out of so many costs as much as all of them in sequence."""


def search_after_block(
    sides: CrcSides, collector: Collector, *, word_swapped: bool, tried: int = 0
) -> Iterator[None]:
    """Report the blocks with their number right after them; yields after each piece of work.

    Args:
        sides: Of one polynomial.
        collector: Takes the results.
        word_swapped: Try exchanged words as well.
        tried: Algorithms and byte orders of this width that are searched, all together; what
            chance drowns is left out. 0: nothing is.
    """
    group, area = sides.group, sides.area
    if area.size <= group.length:
        return
    positions = np.arange(area.size - group.length + 1)
    thresholds = area.thresholds(group.length)
    # A start below its end, and below where block and field begin to prove something.
    limits = area.start_limits_behind(group.length)
    levels = sides.area.stored_levels(group.length)
    if group.length not in area.expected_after:
        area.expected_after[group.length] = expected_by_level(
            thresholds, positions + group.length, positions, levels, group.width
        )
    expected = area.expected_after[group.length]
    drowned = collector.leave_out_drowned(
        Placement.AFTER_BLOCK, group.width, [tried * each for each in expected]
    )
    told = are_told(levels, len(expected), drowned)
    if not told.any():
        return
    alive = np.flatnonzero(told & (limits > 0))
    asked: list[tuple[NumberOrder, Indexes, Registers]] = []
    for order in number_orders(group.length, word_swapped=word_swapped):
        meeting = sides.meeting(order)
        some = alive
        if meeting is not None:
            some = meeting.ends[told[meeting.ends] & (limits[meeting.ends] > 0)]
        asked.append((order, some, sides.end_keys(order, some)))
        yield
    for xorout in sides.xorouts:
        models = sides.models_of(xorout)
        for order, some, plain in asked:
            ends = Ends(
                search=Search(
                    algorithms=tuple(model.algorithm for model in models),
                    order=order,
                    placement=Placement.AFTER_BLOCK,
                    length=group.length,
                    bits=tuple(group.width * many for many in range(1, area.count + 1)),
                    together=True,
                    linear=True,
                ),
                positions=some,
                fields=some,
                levels=levels[some],
            )
            for level, matches in enumerate(expected, 1):
                if level not in drowned:
                    collector.chance.add(group.width * level, len(models) * matches)
            if len(some):
                # Keys are linear: the final XOR is put in behind, not computed into each side.
                keys = plain ^ sides.constants_at(xorout, some) if xorout else plain
                meeting = sides.meeting(order)
                if meeting is not None:
                    starts = sides.starts_at(xorout, meeting.starts)
                elif sides.is_natural(order):
                    starts = sides.starts_of_natural_order(xorout)
                else:
                    starts = sides.starts(xorout)
                found = starts.match(keys, limits[some])
                collector.offer(area, ends, found, len(models), limits[some])
            yield


def search_fixed_fields(
    sides: CrcSides,
    fields: FixedFields,
    placement: Placement,
    collector: Collector,
    *,
    word_swapped: bool,
    skip_adjacent: bool,
) -> Iterator[None]:
    """Report the blocks whose number lies at one of `fields`; yields after each piece of work.

    Args:
        sides: Of one polynomial.
        fields: All of the group's length.
        placement: What to call these places.
        collector: Takes the results.
        word_swapped: Try exchanged words as well.
        skip_adjacent: Leave out fields right after the block, which were searched before.
    """
    _count_chance(sides, fields, placement, collector, word_swapped=word_swapped)
    orders = number_orders(sides.group.length, word_swapped=word_swapped)
    # A place is read in every order; all together, since of few places a step's call takes longer
    # than its work.
    numbers = fields.numbers_in(orders)
    for some in crc_ends(sides.drifts, sides.area, sides.prefixes, fields, numbers):
        yield
        batch = FieldBatch(sides.area, fields, some, orders, skip_adjacent=skip_adjacent)
        if len(batch):
            _join_fixed(sides, numbers, batch, some.starts, placement, collector)


def _count_chance(
    sides: CrcSides,
    fields: FixedFields,
    placement: Placement,
    collector: Collector,
    *,
    word_swapped: bool,
) -> None:
    group = sides.group
    tried = len(group.models) * len(number_orders(group.length, word_swapped=word_swapped))
    for level, expected in expect_fixed(sides.area, fields, group.length, group.width).items():
        collector.chance.add(group.width * level, tried * expected, tier=TIERS[placement])


def expect_fixed(area: Area, fields: FixedFields, length: int, bits: float) -> dict[int, float]:
    """Chance matches of all blocks with one of the fields, for one algorithm, by how many
    different numbers the field has.

    Args:
        area: The one in which the fields lie.
        fields: The places.
        length: Bytes of their numbers.
        bits: That a number is worth.
    """
    if bits not in fields.expected:
        # Blocks end before the field or start behind it: both kinds are counted.
        before = np.clip(fields.offsets, 0, area.size)
        behind = np.maximum(fields.offsets + length, 0)
        at_least = [sums.of(before) + sums.from_floor(behind) for sums in area.limit_sums]
        fields.expected[bits] = fields.expect(at_least, bits)
    return fields.expected[bits]


def _join_fixed(
    sides: CrcSides,
    numbers: Numbers,
    batch: FieldBatch,
    starts_left: Indexes | None,
    placement: Placement,
    collector: Collector,
) -> None:
    group, area = sides.group, sides.area
    # Keys are linear: those of numbers and prefixes are put together.
    stored = _stored_sides(sides, numbers, batch.columns, batch.positions)
    keys = sides.keys.of(stored) ^ sides.prefix_key[batch.positions]
    for xorout in sides.xorouts:
        models = sides.models_of(xorout)
        shifted = keys ^ sides.constants_at(xorout, batch.positions) if xorout else keys
        if starts_left is None:
            starts = sides.starts(xorout)
        else:
            starts = sides.starts_at(xorout, starts_left)
        parts = list(batch.by_order())
        # Mostly nothing is found in any of several orders.
        if len(parts) > 1 and batch.match(starts, shifted) is None:
            continue
        for order, own in parts:
            search = Search(
                algorithms=tuple(model.algorithm for model in models),
                order=order,
                placement=placement,
                length=group.length,
                bits=tuple(group.width * many for many in range(1, area.count + 1)),
                together=False,
                linear=True,
            )
            matches = batch.match(starts, shifted, own)
            batch.offer(collector, search, matches, len(models), own)


def _stored_sides(
    sides: CrcSides, numbers: Numbers, places: Indexes, positions: Indexes
) -> list[Registers]:
    """A^(-position)·(number stored at the place) of each image, for each (place, position).

    Where many positions of the places are asked for, whole sequences are cheaper.
    """
    # Places come in ascending order, so no sort is needed.
    changes = np.diff(places, prepend=-1) != 0
    chosen = places[changes]
    # Images whose numbers are the same share what becomes of them.
    apart = {own.tobytes(): own for own in numbers}
    moved: Iterable[Registers]
    if _DENSE * len(positions) >= len(chosen) * sides.area.size:
        # The row of each place: how many changes there were up to it.
        rows = np.cumsum(changes) - 1
        moved = (
            sides.algebra.back_sequences(own[chosen], sides.area.size + 1)[rows, positions]
            for own in apart.values()
        )
    else:
        # All images at once: of few numbers a step's call takes longer than its work.
        every = np.concatenate([own[places] for own in apart.values()])
        steps = np.tile(positions, len(apart))
        together = sides.algebra.back_below(every, steps, sides.area.size + 1)
        moved = together.reshape(len(apart), -1)
    known = dict(zip(apart, moved, strict=True))
    return [known[own.tobytes()] for own in numbers]
