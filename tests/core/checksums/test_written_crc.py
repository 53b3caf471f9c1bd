"""CRCs written out by their parameters."""

from __future__ import annotations

import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from memtool.core.checksums.algorithms import (
    UnknownAlgorithmError,
    compute_value,
    get_algorithm,
    list_algorithms,
)
from memtool.core.checksums.written_crc import format_written_crc, parse_written_crc

STARTED_AT_ZERO = "width=32 poly=0x04C11DB7 init=0 refin=true refout=true xorout=0xFFFFFFFF"


@given(st.binary(max_size=64))
def test_value_is_that_of_the_library_with_another_start(data: bytes) -> None:
    # zlib exclusive-ors its start value with all ones: a start of all ones is a register of zero.
    assert compute_value(get_algorithm(STARTED_AT_ZERO), data) == zlib.crc32(data, 0xFFFFFFFF)


def test_every_catalogued_crc_is_known_by_its_parameters() -> None:
    for algorithm in list_algorithms():
        if algorithm.crc is not None:
            text = format_written_crc(algorithm.crc)
            assert parse_written_crc(text) == algorithm.crc
            # Two rows of the catalogue never have the same parameters.
            assert get_algorithm(text) is algorithm


def test_name_is_one_spelling_however_it_was_written() -> None:
    other = "xorout=0xffffffff poly=0x4c11db7 refout=true refin=true width=32 init=0x00"
    assert get_algorithm(other).name == get_algorithm(STARTED_AT_ZERO).name
    assert get_algorithm(get_algorithm(other).name).name == get_algorithm(other).name


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("width=16", "poly, init, refin, refout, xorout is missing"),
        (f"{STARTED_AT_ZERO} width=32", "'width=32' has no place"),
        (f"{STARTED_AT_ZERO} check=0x1", "'check=0x1' has no place"),
        (STARTED_AT_ZERO.replace("32", "65", 1), "65 bits is not computed"),
        (STARTED_AT_ZERO.replace("32", "2", 1), "2 bits is not computed"),
        (STARTED_AT_ZERO.replace("width=32", "width=16"), "does not fit into 16 bits"),
        (STARTED_AT_ZERO.replace("DB7", "DB6"), "is even"),
        (STARTED_AT_ZERO.replace("refin=true", "refin=1"), "must be true or false"),
        (STARTED_AT_ZERO.replace("init=0", "init=-1"), "is not a number"),
    ],
)
def test_wrong_parameters_are_named(text: str, says: str) -> None:
    with pytest.raises(UnknownAlgorithmError, match=says):
        get_algorithm(text)
