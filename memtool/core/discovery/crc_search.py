"""All blocks of all lengths whose CRC is stored, by sorting sides.

Where the number follows the block, its end's side depends on the end alone. Elsewhere the
field is fixed, and where two images differ in it, the difference of their equations has no
constants in it and holds for few ends: A^(-j)·Δc ⊕ ΔP_j must be one of the ΔP_i.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from memtool.core.discovery.area import Area, FixedField
from memtool.core.discovery.classes import Indexes, KeyTable, distinct
from memtool.core.discovery.collecting import (
    TIERS,
    Collector,
    Ends,
    NumberOrder,
    Search,
    number_orders,
)
from memtool.core.discovery.crc_sides import CrcSides
from memtool.core.discovery.evidence import count_pairs, expected_by_level
from memtool.core.discovery.register_algebra import RegisterAlgebra, Registers
from memtool.core.discovery.results import Placement

_BATCH = 1 << 17
"""Registers worked on at a time where many places are tried."""
_DENSE = 8
"""One register out of so many costs as much as all of them in sequence."""


def search_after_block(
    sides: CrcSides, collector: Collector, *, word_swapped: bool
) -> Iterator[None]:
    """Report the blocks with their number right after them; yields after each piece of work."""
    group, area = sides.group, sides.area
    if area.size <= group.length:
        return
    positions = np.arange(area.size - group.length + 1)
    thresholds = area.thresholds(group.length)
    limits = np.minimum(positions, thresholds[0][positions + group.length])
    levels = sides.area.stored_levels(group.length)
    if group.length not in area.expected_after:
        area.expected_after[group.length] = expected_by_level(
            thresholds, positions + group.length, positions, levels, group.width
        )
    expected = area.expected_after[group.length]
    orders = number_orders(group.length, word_swapped=word_swapped)
    keys = [sides.end_keys(order) for order in orders]
    for xorout in sides.xorouts:
        models = sides.models_of(xorout)
        shift = sides.constant(xorout)[: len(positions)]
        for order, plain in zip(orders, keys, strict=True):
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
                positions=positions,
                fields=positions,
                levels=levels,
            )
            for level, matches in enumerate(expected, 1):
                collector.chance.add(group.width * level, len(models) * matches)
            natural = sides.is_natural(order)
            starts = sides.starts_of_natural_order(xorout) if natural else sides.starts(xorout)
            found = starts.match(plain ^ shift if xorout else plain, limits)
            collector.offer(area, ends, found, len(models), limits)
            yield


def search_fixed_fields(
    sides: CrcSides,
    fields: Sequence[FixedField],
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
    for order in number_orders(sides.group.length, word_swapped=word_swapped):
        for places, ends in _likely_ends(sides, fields, order):
            yield
            _join_fixed(sides, fields, placement, collector, order, places, ends, skip_adjacent)


def _count_chance(
    sides: CrcSides,
    fields: Sequence[FixedField],
    placement: Placement,
    collector: Collector,
    *,
    word_swapped: bool,
) -> None:
    group, area = sides.group, sides.area
    tried = len(group.models) * len(number_orders(group.length, word_swapped=word_swapped))
    for field in fields:
        expected = expect_fixed(area, field, group.length, group.width)
        collector.chance.add(group.width * field.distinct, tried * expected, tier=TIERS[placement])


def expect_fixed(area: Area, field: FixedField, length: int, bits: float) -> float:
    """Chance matches of all blocks with one field, for one algorithm."""
    counts = count_fixed_pairs(area, field, length)
    return float(
        sum(
            count * 2.0 ** (-bits * max(contents, field.distinct))
            for contents, count in enumerate(counts, 1)
        )
    )


def count_fixed_pairs(area: Area, field: FixedField, length: int) -> list[int]:
    """Blocks tried for one field, by the contents that they have."""
    key = field.offset, length
    if key not in area.pairs_by_field:
        thresholds = area.thresholds(0)
        before = np.arange(max(0, min(field.offset, area.size)) + 1)
        counts = count_pairs(thresholds, before, before)
        floor = max(0, field.offset + length)
        after = np.arange(floor + 1, area.size + 1)
        more = count_pairs(thresholds, after, after, floor)
        area.pairs_by_field[key] = [one + other for one, other in zip(counts, more, strict=True)]
    return area.pairs_by_field[key]


def _likely_ends(
    sides: CrcSides, fields: Sequence[FixedField], order: NumberOrder
) -> Iterator[tuple[Indexes, Indexes]]:
    """(place, end) pairs worth a join: all of them, or those that two images allow.

    Where two images differ in the field, their equations' difference has no constants in
    it, and holds for few ends: A^(-j)·Δc ⊕ ΔP_j must be one of the ΔP_i.
    """
    area = sides.area
    everywhere = np.arange(1, area.size + 1)
    by_pair: dict[tuple[int, int] | None, list[int]] = {}
    for place, field in enumerate(fields):
        by_pair.setdefault(_differing_pair(field), []).append(place)
    for pair, places in by_pair.items():
        if pair is None:
            for place in places:
                yield np.full(area.size, place), everywhere
            continue
        one, other = pair
        difference = sides.prefixes[one] ^ sides.prefixes[other]
        allowed = KeyTable(distinct(difference[:-1]), 1 << 11)
        step = max(1, _BATCH // area.size)
        for begin in range(0, len(places), step):
            batch = places[begin : begin + step]
            numbers = [
                order.number(fields[place].stored[one]) ^ order.number(fields[place].stored[other])
                for place in batch
            ]
            moved = _back_sequences(sides.algebra, numbers, area.size + 1)
            moved ^= difference
            rows, ends = np.nonzero(allowed.may_have(moved[:, 1:]))
            if len(rows):
                yield np.array(batch)[rows], ends + 1


def _differing_pair(field: FixedField) -> tuple[int, int] | None:
    """Two images that differ in the field."""
    for row, stored in enumerate(field.stored):
        if stored != field.stored[0]:
            return 0, row
    return None


def _back_sequences(algebra: RegisterAlgebra, numbers: Sequence[int], count: int) -> Registers:
    """Row x: A^(-k)·numbers[x] for k = 0 … count - 1."""
    found = np.empty((len(numbers), count), np.uint64)
    found[:, 0] = numbers
    done = 1
    while done < count:
        more = min(done, count - done)
        power = algebra.back_power(done.bit_length() - 1)
        found[:, done : done + more] = power.apply(np.ascontiguousarray(found[:, :more]))
        done += more
    return found


def _join_fixed(
    sides: CrcSides,
    fields: Sequence[FixedField],
    placement: Placement,
    collector: Collector,
    order: NumberOrder,
    places: Indexes,
    positions: Indexes,
    skip_adjacent: bool,
) -> None:
    group, area = sides.group, sides.area
    offsets = np.array([field.offset for field in fields])[places]
    behind = positions >= offsets + group.length + 1
    outside = behind | (positions < offsets + (0 if skip_adjacent else 1))
    places, positions, offsets = places[outside], positions[outside], offsets[outside]
    if not len(places):
        return
    floors = np.where(behind[outside], np.maximum(offsets + group.length, 0), 0)
    limits = np.minimum(positions, area.thresholds(0)[0][positions]).astype(np.int64)
    keys = sides.keys.of(
        [
            _stored_sides(sides, fields, order, row, places, positions) ^ prefix[positions]
            for row, prefix in enumerate(sides.prefixes)
        ]
    )
    distinct = np.array([field.distinct for field in fields])[places]
    for xorout in sides.xorouts:
        models = sides.models_of(xorout)
        ends = Ends(
            search=Search(
                algorithms=tuple(model.algorithm for model in models),
                order=order,
                placement=placement,
                length=group.length,
                bits=tuple(group.width * many for many in range(1, area.count + 1)),
                together=False,
                linear=True,
            ),
            positions=positions,
            fields=offsets,
            levels=distinct,
        )
        shifted = keys ^ sides.constant(xorout)[positions] if xorout else keys
        matches = sides.starts(xorout).match(shifted, limits, floors, places)
        collector.offer(
            area, ends, matches, len(models), limits, lambda end: fields[int(places[end])].stored
        )


def _stored_sides(
    sides: CrcSides,
    fields: Sequence[FixedField],
    order: NumberOrder,
    image: int,
    places: Indexes,
    positions: Indexes,
) -> Registers:
    """A^(-position)·(number stored in the field) of one image, for each (place, position).

    Where many positions of the places are asked for, whole sequences are cheaper.
    """
    # Places come in ascending order, so no sort is needed.
    changes = np.diff(places, prepend=places[0]) != 0
    chosen, rows = places[changes | (np.arange(len(places)) == 0)], np.cumsum(changes)
    numbers = [order.number(fields[place].stored[image]) for place in chosen]
    if _DENSE * len(positions) >= len(chosen) * sides.area.size:
        sequences = _back_sequences(sides.algebra, numbers, sides.area.size + 1)
        dense: Registers = sequences[rows, positions]
        return dense
    return sides.algebra.back_each(np.array(numbers, np.uint64)[rows], positions)
