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
from memtool.core.discovery.drift_choices import DriftChoices
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


@pytest.mark.parametrize("count", [1, 40, 2047, 2048, 8192, 8193, 20_000])
@pytest.mark.parametrize(("width", "poly", "reflected"), POLYNOMIALS)
def test_sequences_of_every_length_go_back_step_by_step(
    width: int, poly: int, reflected: bool, count: int
) -> None:
    """Counts on both sides of where another way of making them begins."""
    algebra = algebra_of(width, poly, reflected)
    source = np.random.default_rng(poly % 1000 + count)
    numbers = source.integers(0, 1 << 64, 40, dtype=np.uint64) >> np.uint64(64 - width)
    numbers = numbers[: 40 if count < 3000 else 2]
    sequences = algebra.back_sequences(numbers, count)
    assert (sequences[:, 0] == numbers).all()
    assert (algebra.step_forward(sequences[:, 1:]) == sequences[:, :-1]).all()
    narrow = algebra.narrow_sequences(numbers, count)
    assert narrow.itemsize < 8 or width > 32
    assert (narrow == sequences).all()
    assert (algebra.back_sequence(int(numbers[0]), count) == sequences[0]).all()
    rows, steps = source.integers(0, len(numbers), 50), source.integers(0, count, 50)
    steps[0] = count - 1
    assert (algebra.back_below(numbers[rows], steps, count) == sequences[rows, steps]).all()


@pytest.mark.parametrize(("width", "poly"), [(12, 0x80F), (16, 0x1020), (72, 1)])
def test_a_register_of_no_whole_bytes_or_without_inverse_is_refused(width: int, poly: int) -> None:
    with pytest.raises(ValueError, match="no byte-wise register"):
        RegisterAlgebra(width, poly, False)


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(POLYNOMIALS),
    st.integers(2, 4),
    st.integers(2, 60),
    st.integers(0, 60),
    st.randoms(use_true_random=False),
)
def test_ends_are_told_by_drifts_as_their_equations_say(
    polynomial: tuple[int, int, bool], count: int, size: int, differing: int, source: random.Random
) -> None:
    """Image less image, ΔP_i ⊕ ΔP_j = A^(-j)·Δc: each start of each end is tried."""
    algebra = algebra_of(*polynomial)
    base = bytearray(source.randbytes(size))
    images = []
    for _ in range(count):
        image = bytearray(base)
        for at in source.sample(range(size), min(differing, size)):
            image[at] = source.randrange(256)
        images.append(np.frombuffer(bytes(image), np.uint8))
    prefixes = algebra.prefix_sides([bit_masks(image) for image in images])
    choices = [tuple(source.sample(range(count), source.randint(2, count))) for _ in range(3)]
    # Numbers of real blocks, numbers of nothing, and numbers that two images share.
    places = []
    for number, images_of in enumerate(choices):
        for _ in range(3):
            start = source.randrange(size)
            end = source.randrange(start, size) + 1
            gone = [
                algebra.forward(int(each[start] ^ each[end]), end)
                for each in (prefixes[images_of[0]] ^ prefixes[image] for image in images_of[1:])
            ]
            if source.random() < 0.4:
                gone[source.randrange(len(gone))] = source.choice([gone[0], 0, 1])
            places.append((number, gone))
    most = max(len(images_of) for images_of in choices) - 1
    table = np.zeros((most, len(places)), np.uint64)
    for at, (_, gone) in enumerate(places):
        table[: len(gone), at] = gone
    numbers = np.array([number for number, _ in places])
    found = DriftChoices(algebra, prefixes, choices).find_ends(table, numbers)
    expected = []
    for at, (number, gone) in enumerate(places):
        first, *others = (prefixes[image] for image in choices[number])
        for end in range(1, size + 1):
            wanted = [
                int(first[end] ^ other[end]) ^ algebra.back(each, end)
                for other, each in zip(others, gone, strict=True)
            ]
            starts = ([int(first[at] ^ other[at]) for other in others] for at in range(size))
            if wanted in starts:
                expected.append((at, end))
    assert list(zip(*(each.tolist() for each in found), strict=True)) == expected


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


@settings(max_examples=150, deadline=None)
@given(small_keys, small_keys, st.randoms(use_true_random=False))
def test_what_is_joined_once_is_asked_for_every_part(
    starts: list[int], ends: list[int], source: random.Random
) -> None:
    floors = [source.randint(0, len(starts)) for _ in ends]
    limits = [source.randint(floor, len(starts)) for floor in floors]
    cuts = [source.randint(floor, limit) for floor, limit in zip(floors, limits, strict=True)]
    classes = StartClasses(np.array(starts, np.uint64))
    keys = np.array(ends, np.uint64)
    joined = classes.join(keys, np.array(limits), np.array(floors))
    for low, high in ((floors, limits), (floors, cuts), (cuts, limits)):
        counts = {}
        for place, (key, first, last) in enumerate(zip(ends, low, high, strict=True)):
            if count := starts[first:last].count(key):
                counts[place] = count
        found = None if joined is None else joined.count(np.array(high), np.array(low))
        counted = [] if found is None else list(zip(*map(np.ndarray.tolist, found), strict=True))
        assert counted == sorted(counts.items())
        direct = classes.match(keys, np.array(high), np.array(low))
        again = None if joined is None else joined.match(np.array(high), np.array(low))
        assert (again is None) == (direct is None)
        if again is not None and direct is not None:
            assert again.starts.tolist() == direct.starts.tolist()
            assert again.ends.tolist() == direct.ends.tolist()


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
