"""Places of many strings in long data, against a slow search for each."""

from __future__ import annotations

import random
import re

import pytest

from memtool.core.texts.string_places import find_strings

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


def test_a_table_as_wide_as_the_sample_hides_no_string() -> None:
    rng = random.Random(7)
    # Every fourteenth byte begins a pair that the sample counts; the others hold the string.
    row = b"\0" * 2 + b"text text." + b"\0" * 2
    data = bytearray(row * (LENGTH // len(row) + 1))
    data[rng.randrange(0, 900, 14) : 0] = b"rare!"
    found = find_strings([b"text", b"rare!", b"t."], bytes(data))
    assert set(found) <= {b"rare!"}
    assert all(found[string] == places_of(string, bytes(data)) for string in found)
    assert found[b"rare!"]


def test_a_string_of_common_bytes_is_left_to_others() -> None:
    data = b"\xff" * (LENGTH - 4) + b"text"
    assert find_strings([b"\xff\xff\xff", b"text"], data) == {b"text": [LENGTH - 4]}


def test_short_data_and_single_bytes_are_left_to_others() -> None:
    assert find_strings([b"text"], b"a text") == {}
    assert find_strings([b"t"], b"a" * LENGTH) == {}
