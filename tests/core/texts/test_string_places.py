"""Places of many strings and patterns in long data, against a slow search for each."""

from __future__ import annotations

import random
import re

import pytest

from memtool.core.texts.string_places import Pattern, find_patterns, find_strings

LENGTH = 1 << 19


def places_of(string: bytes, data: bytes) -> list[int]:
    """Every place, those that overlap too: Python's own look-ahead."""
    return [match.start() for match in re.finditer(b"(?=%b)" % re.escape(string), data)]


@pytest.mark.parametrize("length", [LENGTH, LENGTH + 1])
def test_every_place_of_every_string_is_found(length: int) -> None:
    rng = random.Random(length)
    data = bytearray(rng.randbytes(length))
    strings = [rng.randbytes(size) for size in (2, 3, 5, 17, 17)] + [b"ABABABA", b"\xff" * 4]
    for string in (*strings, b"ABABABABABA"):
        for _ in range(20):
            place = rng.randrange(length - 20)
            data[place : place + len(string)] = string
    # At both ends, where a pair may be cut off.
    data[:17], data[-17:] = strings[3], strings[4]
    found = find_strings(strings, bytes(data))
    assert found == {string: places_of(string, bytes(data)) for string in strings}
    assert len(found[b"ABABABA"]) > 40


def test_every_place_of_a_pattern_with_holes_is_found() -> None:
    rng = random.Random("holes")
    data = bytearray(rng.randbytes(LENGTH + 3))
    # Of some all pairs begin at even offsets, or all at odd ones; the last has no pair.
    holes = [(0, 1, 6), (0, 3, 4), (0, 1, 2, 3, 7, 6 + 4), (0, 2, 3, 4, 5), (0, 1), (0, 2, 4)]
    patterns = [Pattern(rng.randbytes(len(offsets)), offsets) for offsets in holes]
    for pattern in patterns:
        for start in (0, 1, *(rng.randrange(len(data) - 20) for _ in range(40))):
            for offset, value in zip(pattern.offsets, pattern.values, strict=True):
                data[start + offset] = value
    found = find_patterns(patterns, bytes(data))
    assert found.keys() == set(patterns[:-1])
    for pattern, places in found.items():
        last = len(data) - pattern.offsets[-1]
        columns = [data[offset : last + offset] for offset in pattern.offsets]
        rows = zip(*columns, strict=True)
        assert places == [place for place, row in enumerate(rows) if bytes(row) == pattern.values]
        assert len(places) > 10


def test_a_table_as_wide_as_the_sample_hides_no_string() -> None:
    rng = random.Random(7)
    # Every sixth byte begins a pair that the sample counts; the others hold the string.
    row = b"\0" * 2 + b"text"
    data = bytearray(row * (LENGTH // len(row) + 1))
    data[rng.randrange(0, 900, 6) : 0] = b"rare!"
    found = find_strings([b"text", b"rare!", b"t\0"], bytes(data))
    assert set(found) <= {b"rare!"}
    assert all(found[string] == places_of(string, bytes(data)) for string in found)
    assert found[b"rare!"]


def test_a_string_of_common_bytes_is_left_to_others() -> None:
    data = b"\xff" * (LENGTH - 4) + b"text"
    assert find_strings([b"\xff\xff\xff", b"text"], data) == {b"text": [LENGTH - 4]}


def test_short_data_and_single_bytes_are_left_to_others() -> None:
    assert find_strings([b"text"], b"a text") == {}
    assert find_strings([b"t"], b"a" * LENGTH) == {}
