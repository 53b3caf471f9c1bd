"""The chance model against counting, and against the formulas of its docstring."""

from __future__ import annotations

import random

import pytest

from memtool.core.image import Image
from memtool.core.texts.chance import VIN_CODES, CharacterChances, chances_of_bytes, measure_mix
from memtool.core.texts.split_search import count_ways


def test_needle_in_random_bytes_is_as_rare_as_the_power_says() -> None:
    # Each value stands as often as any other, each upper half behind each.
    data = bytes((17 * value + 31 * turn) % 256 for turn in range(256) for value in range(256))
    mix = measure_mix(Image.from_bytes(data))
    assert mix.size == 65536
    assert mix.of_values(b"0123456789") == pytest.approx(10 / 256)
    assert mix.of_needle(b"\x12\x34", b"\xff\x0f") == pytest.approx(1 / 256 / 16)
    assert mix.of_needle(b"18341", b"\xff" * 5) == pytest.approx(256**-5, rel=0.05)


def test_expected_number_is_what_turns_up_in_a_mixed_image() -> None:
    rng = random.Random("mix")
    data = bytes(rng.choices(b"0123456789ABC\xff", k=200_000))
    mix = measure_mix(Image.from_bytes(data))
    counted = sum(data.startswith(b"183", place) for place in range(len(data)))
    assert mix.of_needle(b"183", b"\xff" * 3) * mix.size == pytest.approx(counted, rel=0.25)


def test_digits_beside_digits_are_seen() -> None:
    rng = random.Random("clumps")
    pieces = [b"\xee" * 32 + "".join(rng.choices("0123456789", k=16)).encode() for _ in range(8000)]
    data = b"".join(pieces)
    counted = sum(data.startswith(b"183", place) for place in range(len(data)))
    expected = measure_mix(Image.from_bytes(data)).of_needle(b"183", b"\xff" * 3) * len(data)
    assert expected == pytest.approx(counted, rel=0.35)


def test_few_bytes_say_little_about_a_mix() -> None:
    mix = measure_mix(Image.from_bytes(b"AAAA"))
    # Filled up to 256 bytes with even shares, half a byte of each value added.
    assert mix.of_values(b"A") == pytest.approx((4 + 252 / 256 + 0.5) / (256 + 128))
    assert measure_mix(Image.from_bytes(b"")).of_values(b"A") == pytest.approx(1 / 256)


def test_bytes_of_hits_are_left_out() -> None:
    image = Image.from_bytes(b"A" * 512 + b"\xff" * 512)
    mix = measure_mix(image, without=[b"A" * 512])
    assert mix.of_values(b"A") == pytest.approx(0.5 / (512 + 128))
    assert mix.of_values(b"\xff") == pytest.approx(512.5 / (512 + 128))


@pytest.mark.parametrize("serial", [True, False])
@pytest.mark.parametrize("check_digit", [True, False])
def test_shape_of_a_vin_is_as_rare_as_random_texts_show(check_digit: bool, serial: bool) -> None:
    """The formulas by hand, in a uniform mix of the alphabet: 10 of 33 digits, 1 of 33 an X."""
    chances = CharacterChances(alphabet=1.0, digit=10 / 33, check=11 / 33)
    expected = (1 / 33 if check_digit else 1) * ((10 / 33) ** 4 if serial else 1)
    assert chances.of_vin(check_digit=check_digit, serial=serial) == pytest.approx(expected)


def test_alphabet_has_33_characters_of_256() -> None:
    mix = measure_mix(Image.from_bytes(bytes(range(256)) * 4))
    chances = chances_of_bytes(mix, range(256))
    assert len(VIN_CODES) == 33
    assert chances.alphabet == pytest.approx(33 / 256)
    assert chances.check == pytest.approx(11 / 256)


@pytest.mark.parametrize(
    ("length", "ways"),
    [
        # Two pieces of two or more characters, 16 spacings each.
        (5, 2 * 16),
        (6, 3 * 16),
        (8, 5 * 16),
        # 16 cuts; 120 pairs of cuts with 256 spacings each.
        (17, 16 * 16 + 120 * 256),
    ],
)
def test_ways_to_split_a_text_are_counted(length: int, ways: int) -> None:
    assert count_ways(length) == ways
