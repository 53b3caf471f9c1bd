"""Where many short byte strings stand in long data, by two passes over it for all of them.

Each string is known by the two neighbouring bytes of its own that the data holds most seldom.
The first pass counts pairs, the second finds the places of those that count; only there whole
strings are compared.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_WORTH_IT = 1 << 19
"""Bytes from which on this takes less time than to look for each string by itself."""
_MOST_PLACES = 1 << 13
"""Of a pair. A string without a rarer one is left to others."""
_PART = 1 << 17
"""Pairs worked on at a time: their arrays stay in the processor's cache."""


def find_strings(strings: Iterable[bytes], data: bytes) -> dict[bytes, list[int]]:
    """Every place of each string, in order, those that overlap too.

    Left out are strings of common bytes and of fewer than two, and all where the data is short.
    """
    wanted = {string for string in strings if len(string) > 1}
    if len(data) < _WORTH_IT or not wanted:
        return {}
    counts = np.zeros(1 << 16, np.int64)
    for shift in (0, 1):
        pairs = _pairs_of(data, shift)
        for start in range(0, len(pairs), _PART):
            counts += np.bincount(pairs[start : start + _PART], minlength=1 << 16)
    known_by: dict[int, list[tuple[bytes, int]]] = {}
    found: dict[bytes, list[int]] = {}
    for string in wanted:
        rarest = [int.from_bytes(string[at : at + 2], "little") for at in range(len(string) - 1)]
        offset = min(range(len(rarest)), key=lambda at: int(counts[rarest[at]]))
        if counts[rarest[offset]] <= _MOST_PLACES:
            known_by.setdefault(rarest[offset], []).append((string, offset))
            found[string] = []
    is_known = np.zeros(1 << 16, np.bool_)
    is_known[list(known_by)] = True
    for shift in (0, 1):
        pairs = _pairs_of(data, shift)
        for start in range(0, len(pairs), _PART):
            part = pairs[start : start + _PART]
            hits = np.flatnonzero(is_known[part])
            for hit, pair in zip(hits.tolist(), part[hits].tolist(), strict=True):
                for string, offset in known_by[pair]:
                    place = 2 * (start + hit) + shift - offset
                    if place >= 0 and data.startswith(string, place):
                        found[string].append(place)
    for places in found.values():
        places.sort()
    return found


def _pairs_of(data: bytes, shift: int) -> NDArray[np.uint16]:
    """Each two bytes from `shift` on as one number, the first of them its lower half."""
    return np.frombuffer(data, "<u2", (len(data) - shift) // 2, offset=shift)
