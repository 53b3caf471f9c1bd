"""What chance makes of sums in the images at hand: the same search, with fields from elsewhere.

Facts
-----
- A uniform stored number fits with 2^-width whatever the sum's spread. Numbers in tables
  and erased areas are not uniform, so it is measured what they do.
- Blocks too short to be mixed are left out, since they count less anyway as rows.
- Where the number differs between images, blocks in which few bytes do are a kind of their
  own: a byte and its copy elsewhere match always, a copy of a whole block never.
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
from memtool.core.discovery.classes import Indexes, Joined
from memtool.core.discovery.evidence import MIXED_SUM, Levels
from memtool.core.discovery.sum_sides import StoredNumbers, SumSides

_SHIFTED = 1 << 13
_LOOKED_AT = 1 << 14
"""Of more ends than these with all their fields, every few are looked at."""
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
    levels: Levels
    """How many different stored numbers the images have there."""
    varied: Indexes
    """Starts below this have enough bytes before the end that differ; see `varied_limits`."""


@dataclass(frozen=True, slots=True)
class MeasuredChance:
    """Matches with fields from elsewhere in one search, by different stored numbers."""

    mixed: dict[int, float]
    """Of blocks in which as many bytes differ as it takes to mix them; of all for one number."""
    copies: dict[int, float]
    """Of the others."""


def measure_chance(
    sides: SumSides,
    algorithm: Algorithm,
    ends: SumEnds,
    stored: Sequence[StoredNumbers],
    matched: Indexes,
    *,
    odd_length: bool = False,
) -> MeasuredChance:
    """Search again with fields from elsewhere, a few times over.

    Args:
        sides: Of one sum.
        algorithm: One of the group's.
        ends: What was searched.
        stored: For each image the number behind each end.
        matched: Ends that the search found a start for.
        odd_length: See `SumSides.end_keys`.
    """
    length, count = sides.sum.length, len(ends.positions)
    # Starts far enough from their end for the block to be mixed.
    long = np.minimum(ends.limits, ends.positions - MIXED_SUM * length + 1)
    possible = np.flatnonzero(sides.possible_fields(algorithm, stored) & (long > 0))
    if not len(possible):
        return MeasuredChance({}, {})
    shifts, fields, weight = _sources(possible, count)
    # An odd distance between the ends looked at favours no alignment.
    every = max(len(shifts), len(fields)) * count // _LOOKED_AT | 1
    looked = slice(None, None, every)
    positions, long = ends.positions[looked], long[looked]
    varied = np.minimum(long, ends.varied[looked])
    proved = matched[ends.levels[matched] > 1]
    # Numbers that did match stay where they are: elsewhere they would fit again, and not by chance.
    kept = np.zeros(count, bool)
    kept[proved] = True
    # The field that is moved to each end (column): from so far before it, or always the same one
    # (row). All at once: of small images numpy would else be asked thousands of times for next to
    # nothing.
    source = np.concatenate(
        [
            (positions - shifts[:, np.newaxis]) % count,
            np.broadcast_to(fields[:, np.newaxis], (len(fields), len(positions))),
        ]
    )
    keys = sides.end_keys(
        algorithm, positions, [row[source] for row in stored], odd_length=odd_length
    )
    # A block must not hold the field that was moved to its end.
    behind_own = np.where(source < positions, source + length, 0)
    floors = np.maximum(_behind_last(proved, length, positions), behind_own)
    moved = _Moved(
        joined=sides.starts.join(
            keys.ravel(), np.broadcast_to(long, source.shape).ravel(), floors.ravel()
        ),
        levels=ends.levels[source],
        floors=floors,
        kept=kept[source],
        weight=weight * every,
    )
    nothing = np.zeros_like(long)
    one = moved.count(nothing, long, several=False)
    mixed = moved.count(nothing, varied, several=True)
    copies = moved.count(varied, long, several=True)
    return MeasuredChance(one | mixed, copies)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Moved:
    """Ends, a column each, with fields from elsewhere, a row each."""

    joined: Joined | None
    """With the starts."""
    levels: Levels
    """How many different numbers the images have at each end now."""
    floors: Indexes
    """Starts are at or above these."""
    kept: NDArray[np.bool_]
    """Numbers that were not to be moved."""
    weight: float
    """What a match counts."""

    def count(self, lowest: Indexes, limits: Indexes, *, several: bool) -> dict[int, float]:
        """Matches of all blocks of one kind, by different stored numbers.

        Args:
            lowest: The kind's first start of each end.
            limits: Its starts lie below these.
            several: Whether the numbers differ between the images.
        """
        if self.joined is None:
            return {}
        own = (self.levels > 1) == several
        lower = np.maximum(lowest, self.floors)
        asked = own & (limits > lower)
        if several:
            asked &= ~self.kept
        # No start lies below 0, so that is the limit of those that are not asked.
        pairs = self.joined.count(np.where(asked, limits, 0).ravel(), lower.ravel())
        if pairs is None:
            return {}
        hits, starts = pairs
        found = self.levels.ravel()[hits]
        # From the blocks that were tried to all there are.
        here = (own * np.maximum(limits - lowest, 0)).sum()
        tried = (asked * (limits - lower)).sum()
        scale = self.weight * int(here) / int(tried)
        # Where numbers differ each end is one coincidence, with one number each start is.
        numbers = np.bincount(found, weights=None if several else starts)
        return {int(level): scale * float(numbers[level]) for level in np.unique(found)}


def _sources(possible: Indexes, count: int) -> tuple[Indexes, Indexes, float]:
    """How far fields are moved, or which ones are moved everywhere; what a match counts."""
    nothing = possible[:0]
    if 2 * len(possible) < count:
        # Every so many, rounded up, so that there are never more than the samples.
        chosen = possible[:: -(-len(possible) // _SAMPLES)]
        return nothing, chosen, len(possible) / len(chosen) / count
    times = min(_MOST_SHIFTS, max(2, _SHIFTED // count))
    # Spread over the whole area, and never 0, which would leave every field in its place.
    turns = np.arange(1, times + 1)
    return 1 + turns * (count - 1) // (times + 1), nothing, 1 / times


def varied_limits(sides: SumSides, positions: Indexes) -> Indexes:
    """For each end the starts below which enough bytes differ between the images."""
    differing, wanted = sides.area.differing, MIXED_SUM * sides.sum.length
    before = np.searchsorted(differing, positions)
    limits = np.zeros(len(positions), np.int64)
    enough = before >= wanted
    # Counted back from the end, the byte that makes it enough: starts at or before it hold so many.
    limits[enough] = differing[before[enough] - wanted] + 1
    return limits


def _behind_last(fields: Indexes, length: int, positions: Indexes) -> Indexes:
    """For each end, the starts from which a block ending there holds none of `fields` whole.

    Args:
        fields: Ascending.
        length: Of each.
        positions: The ends.
    """
    # The last field that is over at the end; -1 before all fields stands for none.
    behind: Indexes = np.append(-1, fields)
    return behind[np.searchsorted(fields + length, positions, side="right")] + 1
