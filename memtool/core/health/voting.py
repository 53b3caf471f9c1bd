"""Several reads of one chip vote byte by byte; how many reads a vote needs."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from math import comb, sqrt
from typing import TYPE_CHECKING

from memtool.lazy import np

if TYPE_CHECKING:
    from memtool.core.runs import Bytes


def vote_bytes(arrays: Sequence[Bytes]) -> tuple[Bytes, Bytes]:
    """(value held by most reads, number of reads that hold it); ties go to the earliest read."""
    winner = arrays[0].copy()
    votes = np.zeros(len(winner), dtype=np.uint8)
    # Counted read against read: a table of 256 counts a byte would be a hundred times the data.
    for array in arrays:
        held = np.zeros(len(winner), dtype=np.uint8)
        for other in arrays:
            held += (array == other).view(np.uint8)
        # Strictly more: a tie stays with the earlier read.
        better = held > votes
        winner[better] = array[better]
        votes[better] = held[better]
    return winner, votes


_ACCEPTED_WRONG = 0.01
"""Expected number of wrong bytes in the whole majority image."""
_MOST_READS = 15
"""Beyond this many, mending the contact is less work."""


def reads_to_settle(arrays: Sequence[Bytes]) -> int | None:
    """Further reads until the majority is expected to hold less than `_ACCEPTED_WRONG` faults.

    Model: some places are weak and read wrong with one probability, read by read
    independent. Three reads cannot tell few very weak places from many slightly weak ones
    (each differing byte is then two against one, either way), so up to three reads every
    byte counts as equally weak; from four on the two are told apart by how fast the number
    of differing places grows with the reads.

    Returns:
        At least 1; None where `_MOST_READS` would not do.
    """
    given = len(arrays)
    places, rate = _weakness(arrays)
    # Odd numbers alone: an even one can end in a tie.
    for total in range(3, _MOST_READS + 1, 2):
        if places * _outvoted(total, rate) < _ACCEPTED_WRONG:
            return max(total - given, 1)
    return None


def _weakness(arrays: Sequence[Bytes]) -> tuple[float, float]:
    """(weak places, probability that one of them is read wrong)."""
    given, size = len(arrays), len(arrays[0])
    pairs = [int((a != b).sum()) for a, b in combinations(arrays, 2)]
    between_two = sum(pairs) / len(pairs)
    # Two reads differ at a place with 2p(1-p); solved for the smaller p.
    lowest = (1 - sqrt(max(0.0, 1 - 2 * between_two / size))) / 2
    if given < 4:
        return size, lowest
    growth = int((vote_bytes(arrays)[1] < given).sum()) / between_two
    # `growth` rises as the rate falls: many slightly weak places show new ones in each read,
    # few very weak ones show themselves at once. Bisected, since there is no closed form.
    low, high = 1e-9, 0.5
    for _ in range(50):
        middle = (low + high) / 2
        expected = (1 - middle**given - (1 - middle) ** given) / (2 * middle * (1 - middle))
        low, high = (middle, high) if expected > growth else (low, middle)
    # Never below the rate at which all places would be weak: there are no more than all.
    rate = max(high, lowest)
    return min(size, between_two / (2 * rate * (1 - rate))), rate


def _outvoted(number: int, rate: float) -> float:
    """Probability that more than half of an odd `number` of reads are wrong at one place."""
    return sum(
        comb(number, wrong) * rate**wrong * (1 - rate) ** (number - wrong)
        for wrong in range(number // 2 + 1, number + 1)
    )
