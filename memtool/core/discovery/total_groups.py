"""Blocks of constant total that images cannot tell apart, reported as one.

Moving the borders of a block over bytes that are equal in all images changes its sum in
all of them alike. So all blocks with the same differing bytes are one class: for a sum of
bytes one in 256 pairs of such borders fits, thousands in images that hardly differ. The
shortest one names it, the others are its equivalents, by key: of one key any start goes
with any end.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from memtool.core.discovery.area import Area
from memtool.core.discovery.classes import Indexes, Matches
from memtool.core.discovery.collecting import (
    Candidate,
    Collector,
    Search,
    as_equivalent,
    marks_of,
)
from memtool.core.discovery.results import Equivalent

_MOST_KEYS = 256
"""Of sums of bytes there are no more."""


def offer_totals(
    collector: Collector,
    search: Search,
    area: Area,
    matches: Matches,
    limits: Indexes,
    contents: int,
) -> None:
    """Take the blocks with exactly so many contents; those that cannot be told apart as one.

    Args:
        collector: Takes the results.
        search: One without a field.
        area: Where it looked.
        matches: Nearest starts of exactly so many contents.
        limits: Starts of each end were below this.
        contents: Those of one are not put together: the images do not bear them out, whatever
            they are equal to.
    """
    ends, starts, keys = matches.nearest()
    group = _group_of(area, ends, starts) if contents > 1 else starts
    # `lexsort` sorts by its last key first: by group, the shortest block of each in front.
    turn = np.lexsort((ends - starts, group))
    firsts = np.concatenate([[0], np.flatnonzero(np.diff(group[turn])) + 1])
    lasts = np.append(firsts[1:], len(turn))
    collector.counted += len(firsts)
    low, high = starts[turn[firsts]], ends[turn[firsts]]
    marks = marks_of(area, search, low, high, high)
    width = np.searchsorted(area.differing, high) - np.searchsorted(area.differing, low)
    # Fewest differing bytes first, then the likeliest borders.
    for place in np.lexsort((low, -marks, width))[: collector.kept]:
        part = turn[firsts[place] : lasts[place]]
        reach = _reach(area, int(low[place])) if contents > 1 else (int(low[place]),) * 2
        own = keys[part[0]]
        alike = matches.starts_of_class(int(own), reach[0], reach[1] + 1)
        start = area.most_natural_start(alike[alike <= low[place]])
        end = area.most_natural_end(np.sort(ends[part][keys[part] == own]))
        collector.candidates.append(
            Candidate(
                search=search,
                area=area,
                algorithm=search.algorithms[0],
                start=start,
                end=end,
                field=end,
                stored=None,
                contents=contents,
                marks=int(marks[place]),
                equivalents=_equivalents(search, area, matches, ends[part], keys[part], reach),
                last_start=int(limits[high[place]]),
            )
        )


def _group_of(area: Area, ends: Indexes, starts: Indexes) -> Indexes:
    """One number for each set of differing bytes that blocks have."""
    first: Indexes = np.searchsorted(area.differing, starts)
    # A pair of numbers as one: the second is at most as many as differ.
    return first * (len(area.differing) + 1) + np.searchsorted(area.differing, ends)


def _reach(area: Area, start: int) -> tuple[int, int]:
    """The first and last offset at which a block may start and has the same differing bytes."""
    place = int(np.searchsorted(area.differing, start))
    low = int(area.differing[place - 1]) + 1 if place else 0
    return low, int(area.differing[place])


def _equivalents(
    search: Search,
    area: Area,
    matches: Matches,
    ends: Indexes,
    keys: Indexes,
    reach: tuple[int, int],
) -> tuple[Equivalent, ...]:
    """All blocks of a group but the first, by key, that of the first one before the others."""
    found: list[Equivalent] = []
    more = 0
    for number in (keys[0], *np.unique(keys[keys != keys[0]])):
        starts = matches.starts_of_class(int(number), reach[0], reach[1] + 1)
        later = np.sort(ends[keys == number])
        # Less the row itself, which is its own reading once.
        count = len(starts) * len(later) - bool(number == keys[0])
        if count and len(found) < _MOST_KEYS:
            found.append(
                as_equivalent(
                    search, search.algorithms[0], area.base + starts, area.base + later, count
                )
            )
        else:
            more += count
    if more:
        found[-1] = replace(found[-1], count=found[-1].count + more)
    return tuple(found)
