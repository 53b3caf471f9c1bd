"""Rows that hold in every image and are no checksum; what chance makes is counted, not listed."""

from __future__ import annotations

import random

import pytest

from memtool.core.discovery import (
    Discovery,
    Standing,
    Wish,
    discover_checksums,
    searched_algorithms,
)
from memtool.core.image import Image
from tests.module_families import make_family

SIZE = 128


def discover(images: list[bytes] | list[bytearray], *names: str, guesses: int = 0) -> Discovery:
    chosen = tuple(item for item in searched_algorithms() if not names or item.name in names)
    given = [Image.from_bytes(bytes(image)) for image in images]
    return discover_checksums(given, wish=Wish(algorithms=chosen), guesses=guesses)


def erased(count: int) -> list[bytearray]:
    return [bytearray(b"\xff" * SIZE) for _ in range(count)]


@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize("length", [2, 4])
def test_a_value_stored_twice_is_no_checksum(length: int, inverted: bool) -> None:
    source, images = random.Random(length), erased(5)
    for image in images:
        value = source.randbytes(length)
        image[0x20 : 0x20 + length] = value
        copy = bytes(byte ^ 0xFF for byte in value) if inverted else value
        image[0x20 + length : 0x20 + 2 * length] = copy
    assert not [row for row in discover(images).blocks if row.standing is Standing.CONVINCING]


def test_a_crc_over_one_byte_is_no_checksum() -> None:
    images = erased(4)
    for number, image in enumerate(images):
        # CRC-8/SMBUS (polynomial 07, start 00) of one byte, by shifting its bits.
        register = byte = 0x31 + 7 * number
        for _ in range(8):
            register = register << 1 & 0xFF ^ (0x07 if register & 0x80 else 0)
        image[0x40:0x42] = bytes([byte, register])
    rows = discover(images, "CRC-8/SMBUS").blocks
    assert not [row for row in rows if len(row.block) == 1]


def test_a_total_that_two_blocks_make_is_no_row_of_its_own() -> None:
    # Each block varies in other images than its neighbour: together they vary in more.
    source, images = random.Random(5), erased(6)
    first, second = source.randbytes(15), source.randbytes(15)
    for number, image in enumerate(images):
        for at, fill, own in ((0x20, first, number < 4), (0x30, second, number > 1)):
            data = source.randbytes(15) if own else fill
            image[at : at + 16] = data + bytes([-sum(data) & 0xFF])
    rows = discover(images, "SUM-8", "SUM-8/TWOS", "SUM-8/TOTAL").blocks
    found = [row for row in rows if row.standing is Standing.CONVINCING]
    assert found
    assert all(row.block.end <= 0x30 or row.block.start >= 0x30 for row in found)


@pytest.mark.parametrize("count", [2, 3, 4])
def test_totals_that_share_borders_end_in_no_error(count: int) -> None:
    # Small numbers around equal bytes: many blocks of constant total begin or end together.
    names = [item.name for item in searched_algorithms() if item.name.startswith("SUM-8")]
    for seed in range(60):
        source = random.Random(seed)
        base = bytearray(source.choices((0x00, 0x01, 0xFF), k=64))
        images = []
        for _ in range(count):
            image = bytearray(base)
            for at in range(8, 56, 8):
                value = source.randrange(4)
                image[at], image[at + 2], image[at + 4] = value, -value & 0xFF, value
            images.append(image)
        discover(images, *names)


def test_what_chance_makes_is_counted_and_listed_only_when_asked_for() -> None:
    image = random.Random(1).randbytes(600)
    quiet = discover([image])
    assert not quiet.blocks
    assert quiet.truncated > 1000
    asked = discover([image], guesses=7)
    assert len(asked.blocks) == 7
    assert asked.truncated == quiet.truncated - 7


@pytest.mark.parametrize("seed", range(8))
def test_families_of_modules_end_in_no_error(seed: int) -> None:
    family = make_family(seed)
    discover([family.module(number).reads[0] for number in range(1 + seed % 4)])
