"""What chance makes of sums in the images at hand: the same search, with fields from elsewhere.

Facts
-----
- A uniform stored number fits with 2^-width whatever the sum's spread. Numbers in tables
  and erased areas are not uniform, so it is measured what they do.
- Blocks that count less anyway as rows are left out: those too short to be mixed, and where
  the number differs between images, those in which too few bytes do. A byte and its copy
  elsewhere would always match.
- No number lies inside its own block. With bytes around it that add nothing, a block that
  holds the field that was moved to its end would always match.
- A true checksum fits elsewhere too, and so does every byte of its block that stands apart
  from the rest. So fields that did match in several images are not moved, and blocks that
  hold them whole are not counted. What was counted is scaled to all blocks.
- Where numbers differ between the images, starts of one class are one coincidence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from memtool.core.checksums.algorithms import Algorithm
from memtool.core.discovery.classes import Indexes
from memtool.core.discovery.evidence import MIXED_SUM
from memtool.core.discovery.sum_sides import Numbers, SumSides

_SHIFTED = 1 << 13
_MOST_SHIFTS = 16
"""Fields are shifted often enough to look at so many."""
_SAMPLES = 16
"""Where few fields hold numbers small enough for a sum, so many of them are tried everywhere."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SumEnds:
    """The ends that a search asked about: one at each offset that has room for a number."""

    positions: Indexes
    limits: Indexes
    """Starts of an end lie below this."""
    levels: NDArray[np.int64]
    """How many different stored numbers the images have there."""


def measure_chance(
    sides: SumSides,
    algorithm: Algorithm,
    ends: SumEnds,
    stored: Sequence[Numbers],
    matched: Indexes,
    *,
    odd_length: bool = False,
) -> dict[int, float]:
    """Matches with fields from elsewhere in one search, by different stored numbers.

    Args:
        sides: Of one family.
        algorithm: One of the family's.
        ends: What was searched.
        stored: For each image the number behind each end.
        matched: Ends that the search found a start for.
        odd_length: See `SumSides.end_keys`.
    """
    length, count = sides.family.length, len(ends.positions)
    long = np.minimum(ends.limits, ends.positions - MIXED_SUM * length + 1)
    possible = sides.possible_fields(algorithm, stored)
    possible = possible[long[possible] > 0]
    if not len(possible):
        return {}
    varied = np.minimum(long, _varied_limits(sides, ends.positions))
    proved = matched[ends.levels[matched] > 1]
    behind_proved = _behind_last(proved, length, count)
    moved = np.ones(count, bool)
    moved[proved] = False
    sources, weight = _sources(possible, ends.positions)
    found: dict[int, float] = {}
    tried, whole = np.zeros(2), np.zeros(2)
    for source in sources:
        levels = ends.levels[source]
        several = levels > 1
        limits = np.where(several, varied, long)
        floors = np.maximum(behind_proved, np.where(source < ends.positions, source + length, 0))
        allowed = np.where(several & ~moved[source], 0, limits)
        for kind in (0, 1):
            part = several == bool(kind)
            tried[kind] += np.maximum(allowed - floors, 0)[part].sum()
            whole[kind] += np.maximum(limits, 0)[part].sum()
        keys = sides.end_keys(
            algorithm, ends.positions, [row[source] for row in stored], odd_length=odd_length
        )
        pairs = sides.starts.count(keys, allowed, floors)
        if pairs is None:
            continue
        hits, starts = pairs
        for level in np.unique(levels[hits]):
            here = levels[hits] == level
            number = float(starts[here].sum()) if level == 1 else float(here.sum())
            found[int(level)] = found.get(int(level), 0.0) + weight * number
    scale = whole / np.maximum(tried, 1)
    return {level: float(scale[int(level > 1)]) * number for level, number in found.items()}


def _sources(possible: Indexes, positions: Indexes) -> tuple[list[Indexes], float]:
    """For each end the field that is moved there, some times over; what a match counts."""
    count = len(positions)
    if 2 * len(possible) < count:
        chosen = possible[:: -(-len(possible) // _SAMPLES)]
        weight = len(possible) / len(chosen) / count
        return [np.full(count, field) for field in chosen], weight
    times = min(_MOST_SHIFTS, max(2, _SHIFTED // count))
    shifts = [1 + turn * (count - 1) // (times + 1) for turn in range(1, times + 1)]
    return [np.roll(positions, shift) for shift in shifts], 1 / times


def _varied_limits(sides: SumSides, positions: Indexes) -> Indexes:
    """For each end the starts below which enough bytes differ between the images."""
    differing, wanted = sides.area.differing, MIXED_SUM * sides.family.length
    before = np.searchsorted(differing, positions)
    limits = np.zeros(len(positions), np.int64)
    enough = before >= wanted
    limits[enough] = differing[before[enough] - wanted] + 1
    return limits


def _behind_last(fields: Indexes, length: int, count: int) -> Indexes:
    """For each end, the starts from which a block ending there holds none of `fields` whole."""
    last = np.zeros(count + length, np.int64)
    last[fields + length] = fields + 1
    behind: Indexes = np.maximum.accumulate(last)[:count]
    return behind
