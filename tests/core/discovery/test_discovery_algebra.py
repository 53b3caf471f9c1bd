"""Sides, sequences and the join agree with slow, obvious ways to the same answer."""

from __future__ import annotations

import random

import numpy as np
import pytest
from crccheck.crc import ALLCRCCLASSES
from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.core.checksums.crc import reflect
from memtool.core.discovery.classes import NO_START, StartClasses, repeated
from memtool.core.discovery.register_algebra import RegisterAlgebra, algebra_of, bit_masks
from tests.planted import CRC_BY_NAME, WHOLE_BYTE_CRCS

POLYNOMIALS = sorted(
    {(one._width, one._poly, one._reflect_input) for one in ALLCRCCLASSES if one._width % 8 == 0}
    - {(82, 0x0308C0111011401440411, True), (40, 0x0004820009, False)}
)


def of_catalogue(name: str) -> tuple[RegisterAlgebra, int, int]:
    """Algebra, register at the start, final XOR."""
    one = CRC_BY_NAME[name]
    init = reflect(one._initvalue, one._width) if one._reflect_input else one._initvalue
    return algebra_of(one._width, one._poly, one._reflect_input), init, one._xor_output


@pytest.mark.parametrize("name", WHOLE_BYTE_CRCS)
def test_start_and_end_sides_stand_apart(name: str) -> None:
    """The size is more than the chunk that prefixes are made in."""
    size = 4 * 8192 + 700
    algebra, init, xorout = of_catalogue(name)
    source = random.Random(name)
    data = source.randbytes(size)
    (prefix,) = algebra.prefix_sides([bit_masks(np.frombuffer(data, np.uint8))])
    starts = algebra.back_sequence(init, size + 1) ^ prefix
    length = algebra.length
    little = algebra.stored_sides(prefix, range(length))
    big = algebra.stored_sides(prefix, range(length)[::-1])
    some = np.array(sorted(source.sample(range(size - length), 50)))
    assert (algebra.stored_sides(prefix, range(length), some) == little[some]).all()
    for _ in range(4):
        start, end = sorted(source.sample(range(size - length), 2))
        value = int(CRC_BY_NAME[name].calc(data[start:end]))
        assert int(starts[start] ^ prefix[end]) == algebra.back(value ^ xorout, end)
        stored = data[end : end + length]
        assert int(little[end]) == algebra.back(int.from_bytes(stored, "little"), end)
        assert int(big[end]) == algebra.back(int.from_bytes(stored, "big"), end)


@pytest.mark.parametrize(("width", "poly", "reflected"), POLYNOMIALS)
def test_images_that_hardly_differ_have_prefixes_that_hardly_do(
    width: int, poly: int, reflected: bool
) -> None:
    algebra = algebra_of(width, poly, reflected)
    source = np.random.default_rng(poly % 1000)
    one = source.integers(0, 256, 500).astype(np.uint8)
    places = np.sort(source.choice(500, 7, replace=False))
    for chosen in (places, np.unique([*places, 499])[-3:], places[:0]):
        images = np.stack([one, one, one])
        images[1][chosen[1:]] ^= 0x5A
        images[2][chosen[:1]] ^= 0xA5
        first, *others = algebra.prefix_sides([bit_masks(image) for image in images])
        drifts = algebra.drift_sides(images, chosen)
        for drift, other in zip(drifts, others, strict=True):
            assert (drift == first ^ other).all()
    assert algebra.drift_sides(images[:1], places) == []


@pytest.mark.parametrize(("width", "poly", "reflected"), POLYNOMIALS)
def test_powers_go_forward_and_back(width: int, poly: int, reflected: bool) -> None:
    algebra = algebra_of(width, poly, reflected)
    value = random.Random(poly).randrange(1, 1 << width)
    register = np.array([value], np.uint64)
    assert int(algebra.step_back(algebra.step_forward(register))[0]) == value
    assert algebra.forward(algebra.back(value, 1234), 1234) == value
    assert algebra.back_sequence(value, 40)[33] == algebra.back(value, 33)


@pytest.mark.parametrize(("width", "poly"), [(12, 0x80F), (16, 0x1020), (72, 1)])
def test_a_register_of_no_whole_bytes_or_without_inverse_is_refused(width: int, poly: int) -> None:
    with pytest.raises(ValueError, match="no byte-wise register"):
        RegisterAlgebra(width, poly, False)


small_keys = st.lists(st.integers(0, 5), min_size=1, max_size=24)


@settings(max_examples=150, deadline=None)
@given(small_keys, small_keys, st.integers(1, 3), st.randoms(use_true_random=False))
def test_the_join_finds_the_nearest_start_of_every_end(
    starts: list[int], ends: list[int], models: int, source: random.Random
) -> None:
    starts = starts + [9] * (-len(starts) % models)
    room = len(starts) // models
    limits = [source.randint(0, room) for _ in ends]
    floors = [source.randint(0, limit) if limit else 0 for limit in limits]
    found = StartClasses(np.array(starts, np.uint64), models).match(
        np.array(ends, np.uint64), np.array(limits), np.array(floors)
    )
    nearest: dict[int, int] = {}
    pairs = 0
    for place, key in enumerate(ends):
        fitting = [
            start
            for start, other in enumerate(starts)
            if other == key and floors[place] <= start // models < limits[place]
        ]
        pairs += len(fitting)
        if fitting:
            nearest.setdefault(fitting[-1], place)
    if found is None:
        assert not nearest
        return
    assert dict(zip(found.starts.tolist(), found.ends.tolist(), strict=True)) == nearest
    assert found.tried_pairs == pairs
    for row, start in enumerate(found.starts):
        same = [place for place, other in enumerate(starts) if other == starts[int(start)]]
        assert found.starts_like(row).tolist() == same


def test_a_class_of_a_thousand_starts_and_ends_is_one_block() -> None:
    keys = np.zeros(2000, np.uint64)
    found = StartClasses(keys).match(keys, np.full(2000, 1000))
    assert found is not None
    assert (found.starts.tolist(), found.ends.tolist()) == ([999], [0])
    assert found.tried_pairs == 2000 * 1000


def test_many_ends_of_one_limit_are_asked_only_about_starts_below_it() -> None:
    source = np.random.default_rng(1)
    keys = source.integers(0, 1 << 60, 4000, np.uint64)
    ends, limits = keys.copy(), np.full(4000, 100)
    ends[3000] = keys[50]
    found = StartClasses(keys).match(ends, limits)
    assert found is not None
    assert sorted(found.starts.tolist()) == list(range(100))
    row = found.starts.tolist().index(50)
    assert found.ends_like(row).tolist() == [50, 3000]


def test_repeated_misses_no_key_that_comes_again() -> None:
    source = np.random.default_rng(2)
    keys = source.integers(0, 500, 400).astype(np.uint64)
    again = [(keys == key).sum() > 1 for key in keys]
    assert all(repeated(keys)[place] for place, twice in enumerate(again) if twice)
    assert not repeated(np.arange(50, dtype=np.uint64)).any()
    assert int(NO_START) == 2**64 - 1
