"""Rings of counters: slots at equal distances whose numbers follow each other.

A number that is written often is spread over several slots, so that no cell wears out: the
next slot takes the next value, and after the last one the first is written again. In one read
such a ring looks like data with a checksum, and it may be an odometer, so it is proposed as
protected before anything else is looked for there. (Common practice, no source.)
"""

from __future__ import annotations

import numpy as np

from memtool.core.drafting.assembly import Assembly
from memtool.core.drafting.draft import Confidence
from memtool.core.drafting.survey import Bytes, Mask
from memtool.core.layouts.layout import RegionKind

_WIDTHS = (4, 3, 2)
"""Bytes of a number."""
_LARGEST_STRIDE = 16
_LARGEST_STEP = 64
"""Between a slot and the next; also backwards, where the newest slot meets the oldest."""
_LEAST_NUMBER = 0x100
"""Smaller ones are indexes and lengths, which follow each other in any table."""
_SLOTS = 4
_WIDEST_AREA = 1 << 22
"""Bytes up to which it is looked for: a ring is no matter of program flash."""


def add_counter_rings(assembly: Assembly) -> None:
    """Add every run of at least four slots whose numbers are near in every module."""
    survey = assembly.survey
    if survey.distinct < 2 or len(survey.span) > _WIDEST_AREA:
        return
    ring: Mask = np.zeros(len(survey.span), bool)
    for width in _WIDTHS:
        for order in ("big", "little"):
            _mark_rings(survey.rows, survey.varies, width, order, ring)
    ring &= ~assembly.claims.taken
    for span in survey.runs_of(ring):
        if len(span) < _SLOTS:
            continue
        assembly.add(
            "ring of counters",
            span,
            RegionKind.PROTECTED,
            evidence=[
                (
                    "Consecutive numbers at equal distances, different in each module: a counter "
                    "that is written to one slot after another."
                ),
                (
                    "It may be mileage or operating time: it is never touched unless a person "
                    "says that it is state."
                ),
            ],
            confidence=Confidence.POSSIBLE,
        )


def _mark_rings(rows: Bytes, varies: Mask, width: int, order: str, ring: Mask) -> None:
    """Set `ring` from the first slot to the last of every run; `varies`: where rows differ."""
    last = rows.shape[1] - width + 1
    if last <= 0:
        return
    # Few addresses tell anything in most memories, so only they are followed: numbers that are not
    # the same in all modules, and large in every one.
    starts = np.flatnonzero(
        np.logical_or.reduce([varies[place : place + last] for place in range(width)])
    )
    numbers = np.zeros((len(rows), len(starts)), np.int64)
    for place in range(width):
        shift = 8 * (width - 1 - place if order == "big" else place)
        numbers |= rows[:, starts + place].astype(np.int64) << shift
    large = (numbers >= _LEAST_NUMBER).all(axis=0)
    starts, numbers = starts[large], numbers[:, large]
    # Where each address is among those; -1: nowhere.
    known = np.full(last, -1)
    known[starts] = np.arange(len(starts))
    for stride in range(width, _LARGEST_STRIDE + 1):
        # Only where there is room for all slots; each turn of the inner loop leaves those whose
        # next slot fits.
        found = np.flatnonzero(starts + (_SLOTS - 1) * stride < last)
        here = found
        for slot in range(1, _SLOTS):
            there = known[starts[found] + slot * stride]
            found, here, there = (each[there >= 0] for each in (found, here, there))
            steps = numbers[:, there] - numbers[:, here]
            near = ((steps != 0) & (np.abs(steps) <= _LARGEST_STEP)).all(axis=0)
            found, here = found[near], there[near]
        for start in starts[found].tolist():
            # A longer ring is found from each of its slots, and the spans join.
            ring[start : start + (_SLOTS - 1) * stride + width] = True
