"""Which ends of a block are worth trying for a sum stored at a fixed place, by differences alone.

Facts
-----
- With D the drift of two images' prefix sums and Δg that of what their blocks must add up to, the
  block ``[i, j)`` needs D_i = D_j - Δg: sums have no power of x (`field_ends`). D changes only
  where the images differ, so there are few starts and ends to tell apart.
- Of paired sums the first one is enough. What is left is joined in full.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from memtool.core.checksums.sums import Sum
from memtool.core.discovery.area import Area
from memtool.core.discovery.classes import Indexes, KeyTable, are_in, changes_of, in_order
from memtool.core.discovery.field_ends import EndsToTry
from memtool.core.discovery.fixed_fields import Numbers

_SUMS = 1 << 15
"""Ends worked on at a time: they stay in the cache."""
_MIX = np.uint64(0xD6E8FEB86659FD93)
"""Odd, so that a product with it loses nothing."""
_SECOND_SPREAD = np.uint64(0xA0761D6478BD642F)
"""Odd; keys that shared a place in the first table share none in one with this factor."""
_ROOM = 4
"""Bits of drifts more than it takes to number the starts: one end in sixteen passes by mistake."""
_MANY_STARTS = 1 << 16
"""More sorted keys than these lie outside of the cache, and looking for one is slow."""


@dataclass(frozen=True, slots=True, eq=False)
class SumStarts:
    """The starts of one sum that images tell apart, shared by all that is asked about them."""

    offsets: Indexes
    """One for each class of starts, or of ends: the first one of its parity."""
    stops: Indexes
    """Where the next class of its parity takes over."""
    changes: Indexes
    """How many bytes that differ lie before each."""
    known: Numbers
    """The distinct keys, sorted."""
    earliest: Indexes
    """The first class with each key."""
    telling: int
    """As many drifts, of images that differ, leave few ends to chance."""
    tables: tuple[KeyTable, ...]
    """So many drifts side by side, from each on: see `_tellings`."""
    second_table: KeyTable | None
    """Where keys are many: what passes both by mistake is little to look for among the keys."""


def sum_starts(one: Sum, area: Area, starts: Iterable[Numbers]) -> SumStarts:
    """Tell the starts of a sum apart.

    Args:
        one: The sum.
        area: Where to look; of two images or more.
        starts: For each image the side of a start at each offset.
    """
    reps = area.word_starts[one.element - 1]
    # Sides of the first image are taken from all others': what no image tells apart drops out.
    first, *others = (side[reps] for side in starts)
    drifts = [one.drift(side, first) for side in others]
    known, earliest = _first_places(_hashed([_parities(one, reps), *drifts]))
    telling = min(len(drifts), -(-(len(known).bit_length() + _ROOM) // one.drift_width))
    return SumStarts(
        offsets=reps,
        stops=_stops(reps, one.element, area.size),
        changes=np.searchsorted(area.differing, reps),
        known=known,
        earliest=earliest,
        telling=telling,
        tables=tuple(
            KeyTable(_side_by_side(one, [drifts[image] for image in images]), len(known))
            for images in _tellings(len(drifts), telling)
        ),
        second_table=KeyTable(known, 0, _SECOND_SPREAD) if len(known) > _MANY_STARTS else None,
    )


def sum_ends(
    one: Sum,
    starts: SumStarts,
    apart: Sequence[Numbers],
    gone: Numbers,
    same: NDArray[np.bool_],
    *,
    odd_length: bool = False,
    inside: Indexes | None = None,
) -> EndsToTry:
    """The ends that all images' differences leave for a sum.

    Where numbers differ, a block in which nothing does is none. Most that a small number fits
    by its differences alone are such, since any end has a start that differs by nothing.

    Args:
        one: The sum.
        starts: Its starts.
        apart: For each image but the first how far it lies from that one, at ends at the starts'
            offsets whose block adds up to nothing.
        gone: For each image but the first (row) and place (column) how far what the block must
            add up to lies from that of the first image.
        same: At which places it is the same in all images.
        odd_length: The blocks have an odd number of bytes, the last one padded.
        inside: The block holds each place's number, which is here.
    """
    reps, stops, changes = starts.offsets, starts.stops, starts.changes
    own_parity = _parities(one, reps + odd_length)
    found = [(np.zeros(0, np.int64), np.zeros(0, np.int64))]
    # Where two images' numbers are the same, most ends have a start that differs by as little.
    leads = (gone != 0).argmax(axis=0)
    for lead, images in enumerate(_tellings(len(gone), starts.telling)):
        own = np.flatnonzero(leads == lead)
        few = [apart[image] for image in images], gone[images][:, own]
        # Few images tell most ends, and only what they leave is asked of all.
        for rows, columns in _likely_ends(one, starts.tables[lead], *few):
            places = own[rows]
            needed = (
                one.drift(end[columns], each[places]) for end, each in zip(apart, gone, strict=True)
            )
            keys = _hashed([own_parity[columns], *needed])
            if starts.second_table is not None:
                left = starts.second_table.may_have(keys)
                keys, places, columns = keys[left], places[left], columns[left]
            true = are_in(starts.known, keys)
            places, columns = places[true], columns[true]
            first_start = starts.earliest[np.searchsorted(starts.known, keys[true])]
            if inside is None:
                # Numbers that differ need a differing byte between start and end.
                right = same[places] | (changes[first_start] < changes[columns])
            else:
                offsets = inside[places]
                right = (reps[first_start] <= offsets) & (stops[columns] > offsets)
            found.append((places[right], columns[right]))
    places, columns = (np.concatenate(each) for each in zip(*found, strict=True))
    turns, _ = in_order(places.view(np.uint64))
    places, columns = places[turns], columns[turns]
    rows, tried = _counted_up(reps[columns], stops[columns], one.element)
    return EndsToTry(places[rows], tried)


def _likely_ends(
    one: Sum, table: KeyTable, apart: Sequence[Numbers], gone: Numbers
) -> Iterator[tuple[Indexes, Indexes]]:
    """Places and classes of ends that may have a start, in batches; see `sum_ends`."""
    classes = len(apart[0])
    step = max(1, _SUMS // classes)
    for begin in range(0, gone.shape[1], step):
        for first in range(0, classes, _SUMS):
            needed = [
                one.drift(end[first : first + _SUMS], own[begin : begin + step, np.newaxis])
                for end, own in zip(apart, gone, strict=True)
            ]
            likely = np.flatnonzero(table.may_have(_side_by_side(one, needed)))
            places, columns = np.divmod(likely, needed[0].shape[1])
            yield places + begin, columns + first


def _tellings(count: int, telling: int) -> list[list[int]]:
    """From each of `count` images on the next ones, as many as tell; behind the last the first."""
    return [[(lead + turn) % count for turn in range(telling)] for lead in range(count)]


def _parities(one: Sum, offsets: Indexes) -> Numbers:
    """Words begin and end at offsets of one parity."""
    return (offsets % one.element).astype(np.uint64)


def _side_by_side(one: Sum, drifts: Sequence[Numbers]) -> Numbers:
    """The drifts of several images as one number; of many the first ones fall out of it."""
    key = drifts[0]
    for each in drifts[1:]:
        key = key << np.uint64(one.drift_width) | each
    return key


def _stops(reps: Indexes, step: int, size: int) -> Indexes:
    """For each representative where the next one of its parity takes over."""
    stops = np.full(len(reps), size + 1)
    for parity in range(step):
        own = np.flatnonzero(reps % step == parity)
        # Each parity is a chain of its own; the last one goes on to the end.
        stops[own[:-1]] = reps[own[1:]]
    return stops


def _first_places(keys: Numbers) -> tuple[Numbers, Indexes]:
    """The distinct keys, sorted, and where each occurs first."""
    turn, ordered = in_order(keys)
    new = changes_of(ordered)
    return ordered[new], turn[new]


def mixed(key: Numbers, number: Numbers) -> Numbers:
    """One key of a key and a number; not linear: sums are compared, not combined."""
    return (key ^ key >> np.uint64(29)) * _MIX + number


def _hashed(numbers: Sequence[Numbers]) -> Numbers:
    """One key of the numbers of several images."""
    key = numbers[0]
    for each in numbers[1:]:
        key = mixed(key, each)
    # Keys that differ in their low bits alone are slow to put in order.
    return key * _MIX


def _counted_up(begins: Indexes, stops: Indexes, step: int = 1) -> tuple[Indexes, Indexes]:
    """Every number from each begin to before its stop, and which of them it belongs to."""
    # Rounded up: minus before and after the division that rounds down.
    lengths = -(-(stops - begins) // step)
    rows = np.repeat(np.arange(len(begins)), lengths)
    before = np.cumsum(lengths) - lengths
    return rows, (np.arange(len(rows)) - before[rows]) * step + begins[rows]
