"""Where many short patterns of bytes stand in long data, by one pass over it for all of them.

Data is read as pairs of bytes, each of which begins at an even place. Wherever a string of three
bytes or more begins, one of its own pairs is among them: an even one of the string or an odd one,
as its own place is. So it is known by two of its pairs, of either kind the one that a sample of
the data holds most seldom; only where one of them stands whole strings are compared. What has pairs
of one kind alone, as strings of two bytes, needs a second pass for the odd places.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

WORTH_IT = 1 << 19
"""Bytes from which on this takes less time than to look for each string by itself."""
_MOST_PLACES = 1 << 13
"""Of a pair. A string without a rarer one is left to others."""
_PART = 1 << 17
"""Pairs worked on at a time: their arrays stay in the processor's cache."""
_SAMPLED = 1 << 17
"""About so many pairs are counted."""


class Pattern(NamedTuple):
    """Some bytes, with any others between them."""

    values: bytes
    offsets: tuple[int, ...]
    """Of each byte its distance from the first one: ascending, from 0."""

    @classmethod
    def of_string(cls, string: bytes) -> Pattern:
        """One byte behind the other."""
        return cls(string, tuple(range(len(string))))


class _Known(NamedTuple):
    """A pattern, and where in it the pair begins that it is known by."""

    pattern: Pattern
    offset: int


def find_strings(strings: Iterable[bytes], data: bytes) -> dict[bytes, list[int]]:
    """As `find_patterns`, of bytes that stand one behind the other."""
    found = find_patterns(map(Pattern.of_string, strings), data)
    return {pattern.values: places for pattern, places in found.items()}


def find_patterns(patterns: Iterable[Pattern], data: bytes) -> dict[Pattern, list[int]]:
    """Every place of each pattern, in order, those that overlap too.

    Left out are patterns of common bytes and those in which no two bytes are neighbours, and all
    where the data is short.
    """
    if len(data) < WORTH_IT:
        return {}
    counts = _count_some(data)
    known = {pattern: _choose_pairs(pattern, counts) for pattern in set(patterns)}
    found: dict[Pattern, list[int]] = {pattern: [] for pattern in known if known[pattern]}
    common: set[Pattern] = set()
    for shift in (0, 1):
        known_by: dict[int, list[_Known]] = {}
        for pattern, chosen in known.items():
            # A pair of either kind is enough for the even places of pairs alone.
            if shift == 0 or len(chosen) == 1:
                for pair, offset in chosen:
                    known_by.setdefault(pair, []).append(_Known(pattern, offset))
        places, pairs = _find_pairs(known_by, data, shift)
        # By pair, and of each pair in order.
        order = np.argsort(pairs, kind="stable")
        places, pairs = places[order], pairs[order]
        for pair, known_here in known_by.items():
            first, end = pairs.searchsorted([pair, pair + 1]).tolist()
            if end - first > _MOST_PLACES:
                common.update(pattern for pattern, _ in known_here)
                continue
            for pattern, offset in known_here:
                found[pattern] += _places_of(pattern, data, places[first:end] - offset)
    return {pattern: sorted(places) for pattern, places in found.items() if pattern not in common}


def next_place(places: Sequence[int], start: int) -> int:
    """The first of the sorted `places` from `start` on; -1 where there is none, as `bytes.find`."""
    number = bisect_left(places, start)
    return places[number] if number < len(places) else -1


def _count_some(data: bytes) -> NDArray[np.intp]:
    """How often each pair stands in a sample of the data."""
    pairs = _pairs_of(data, 0)
    # An odd step: tables may be as wide as a power of two.
    return np.bincount(pairs[:: len(pairs) // _SAMPLED | 1], minlength=1 << 16)


def _choose_pairs(pattern: Pattern, counts: NDArray[np.intp]) -> list[tuple[int, int]]:
    """What the pattern is known by: its rarest pair at an even and at an odd offset, with that."""
    values, offsets = pattern
    rarest: dict[int, tuple[int, int, int]] = {}
    for at, (here, behind) in enumerate(pairwise(offsets)):
        if behind - here == 1:
            pair = values[at] | values[at + 1] << 8
            one = (int(counts[pair]), here, pair)
            rarest[here % 2] = min(one, rarest.get(here % 2, one))
    return [(pair, offset) for _, offset, pair in rarest.values()]


def _find_pairs(
    wanted: Iterable[int], data: bytes, shift: int
) -> tuple[NDArray[np.intp], NDArray[np.uint16]]:
    """Where one of these pairs stands, of each two places only the one from `shift` on; which."""
    is_wanted = np.zeros(1 << 16, np.bool_)
    is_wanted[list(wanted)] = True
    hits, found = [np.zeros(0, np.intp)], [np.zeros(0, np.uint16)]
    pairs = _pairs_of(data, shift)
    for start in range(0, len(pairs) if is_wanted.any() else 0, _PART):
        part = pairs[start : start + _PART]
        # Every pair is a place of the table: "wrap" only leaves out the check for it.
        here = np.flatnonzero(is_wanted.take(part, mode="wrap"))
        hits.append(2 * (here + start) + shift)
        found.append(part[here])
    return np.concatenate(hits), np.concatenate(found)


def _places_of(pattern: Pattern, data: bytes, places: NDArray[np.intp]) -> list[int]:
    """At which of these places, some of which may lie outside, the data holds the pattern."""
    places = places[(places >= 0) & (places < len(data) - pattern.offsets[-1])]
    values = np.frombuffer(data, np.uint8)
    for offset, value in zip(pattern.offsets, pattern.values, strict=True):
        if not len(places):
            break
        places = places[values[places + offset] == value]
    found: list[int] = places.tolist()
    return found


def _pairs_of(data: bytes, shift: int) -> NDArray[np.uint16]:
    """Each two bytes from `shift` on as one number, the first of them its lower half."""
    return np.frombuffer(data, "<u2", (len(data) - shift) // 2, offset=shift)
