"""Where many short byte strings stand in long data, by one pass over it for all of them.

Data is read as pairs of bytes, each of which begins at an even place. Wherever a string of three
bytes or more begins, one of its own pairs is among them: an even one of the string or an odd one,
as its own place is. So it is known by two of its pairs, of either kind the one that a sample of
the data holds most seldom; only where one of them stands whole strings are compared. Strings of
two bytes need a second pass for the odd places.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

WORTH_IT = 1 << 19
"""Bytes from which on this takes less time than to look for each string by itself."""
_MOST_PLACES = 1 << 13
"""Of a pair. A string without a rarer one is left to others."""
_PART = 1 << 17
"""Pairs worked on at a time: their arrays stay in the processor's cache."""
_SAMPLED = 7
"""Every so-many-th pair is counted: no power of two, which tables may be as wide as."""
_Known = tuple[bytes, int]
"""A string, and where in it the pair begins that it is known by."""


def find_strings(strings: Iterable[bytes], data: bytes) -> dict[bytes, list[int]]:
    """Every place of each string, in order, those that overlap too.

    Left out are strings of common bytes and of fewer than two, and all where the data is short.
    """
    wanted = {string for string in strings if len(string) > 1}
    if len(data) < WORTH_IT or not wanted:
        return {}
    counts = np.bincount(_pairs_of(data, 0)[::_SAMPLED], minlength=1 << 16)
    found: dict[bytes, list[int]] = {string: [] for string in wanted}
    common: set[bytes] = set()
    for shift in (0, 1):
        known_by = _choose_pairs([each for each in wanted if shift == 0 or len(each) == 2], counts)
        places, pairs = _find_pairs(known_by, data, shift)
        # By pair, and of each pair in order.
        order = np.argsort(pairs, kind="stable")
        places, pairs = places[order], pairs[order]
        for pair, known in known_by.items():
            first, end = pairs.searchsorted([pair, pair + 1]).tolist()
            if end - first > _MOST_PLACES:
                common.update(string for string, _ in known)
                continue
            for string, offset in known:
                found[string] += _places_of(string, data, places[first:end] - offset)
    return {string: sorted(places) for string, places in found.items() if string not in common}


def _choose_pairs(strings: Iterable[bytes], counts: NDArray[np.intp]) -> dict[int, list[_Known]]:
    """By pair the strings that are known by it: of each the rarest even and the rarest odd one."""
    known_by: dict[int, list[_Known]] = {}
    for string in strings:
        pairs = [int.from_bytes(string[at : at + 2], "little") for at in range(len(string) - 1)]
        for kind in range(min(2, len(pairs))):
            offset = min(range(kind, len(pairs), 2), key=lambda at: int(counts[pairs[at]]))
            known_by.setdefault(pairs[offset], []).append((string, offset))
    return known_by


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


def _places_of(string: bytes, data: bytes, places: NDArray[np.intp]) -> list[int]:
    """At which of these places, some of which may lie outside, the data holds the string."""
    places = places[(places >= 0) & (places <= len(data) - len(string))]
    values = np.frombuffer(data, np.uint8)
    for number, value in enumerate(string):
        if not len(places):
            break
        places = places[values[places + number] == value]
    found: list[int] = places.tolist()
    return found


def _pairs_of(data: bytes, shift: int) -> NDArray[np.uint16]:
    """Each two bytes from `shift` on as one number, the first of them its lower half."""
    return np.frombuffer(data, "<u2", (len(data) - shift) // 2, offset=shift)
