"""Where the stored number may lie: each placement of the search, for a CRC and for sums."""

from __future__ import annotations

import random

import pytest

from memtool.core.discovery import (
    Discovery,
    Placement,
    Wish,
    discover_checksums,
    searched_algorithms,
)
from memtool.core.image import Image
from memtool.core.span import Span
from tests.planted import plant, value_of

NAMES = ("CRC-16/IBM-3740", "CRC-32/ISO-HDLC", "SUM-16", "SUM-16/TWOS", "WORDSUM-16-LE/ONES")
SIZE = 600
BLOCK = Span(120, 360)


def images_of(name: str, at: int, *, vary: Span | None = BLOCK, count: int = 4) -> list[Image]:
    """Images that are equal outside of the block, with its checksum at `at`."""
    source = random.Random(f"{name} {at}")
    common = source.randbytes(SIZE)
    images = []
    for _ in range(count):
        image = bytearray(common)
        if vary is not None:
            image[vary.start : vary.end] = source.randbytes(len(vary))
        plant(image, name, BLOCK.start, BLOCK.end, "little", at)
        images.append(Image.from_bytes(bytes(image)))
    return images


def discover(images: list[Image], name: str, at: Span | None = None) -> Discovery:
    chosen = tuple(item for item in searched_algorithms() if item.name == name)
    return discover_checksums(images, wish=Wish(algorithms=chosen, at=at), guesses=5)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(
    ("at", "placement"),
    [
        (BLOCK.end, Placement.AFTER_BLOCK),
        (None, Placement.IMAGE_END),
        (BLOCK.end + 40, Placement.DIFFERING),
        (BLOCK.start - 40, Placement.DIFFERING),
    ],
)
def test_number_is_found_where_the_search_says_it_looks(
    name: str, at: int | None, placement: Placement
) -> None:
    length, _ = value_of(name, b"")
    place = SIZE - length if at is None else at
    vary = Span(BLOCK.start + 10, BLOCK.start + 200)
    first = discover(images_of(name, place, vary=vary), name).blocks[0]
    assert (first.algorithm, first.field) == (name, Span(place, place + length))
    assert first.placement is placement
    assert first.expected_by_chance < 0.01
    assert first.block.start <= vary.start
    assert first.block.end >= vary.end


@pytest.mark.parametrize("name", ["CRC-32/ISO-HDLC", "CRC-16/IBM-3740", "SUM-16"])
def test_number_before_its_block_and_equal_in_all_images_is_found_with_at_alone(name: str) -> None:
    """Nothing tells such a place from any other; so only `--at` looks there."""
    length, _ = value_of(name, b"")
    place = Span(40, 40 + length)
    images = images_of(name, place.start, vary=None, count=2)
    moved = [image.with_bytes([(500, bytes([number]))]) for number, image in enumerate(images)]
    assert not [row for row in discover(moved, name).blocks if row.field == place]
    rows = [row for row in discover(moved, name, at=place).blocks if row.field == place]
    assert any((row.algorithm, row.block) == (name, BLOCK) for row in rows)
    assert all(row.placement is Placement.GIVEN for row in rows)
    assert all(len(row.images) == 1 for row in rows)


def test_up_to_256_differing_places_are_tried_and_more_are_said() -> None:
    few = discover(images_of("SUM-16", 400, vary=Span(130, 140)), "SUM-16")
    [places] = [each for each in few.placements if each.placement is Placement.DIFFERING]
    assert places.left_out is None
    assert places.places is not None
    assert places.places <= 256
    source = random.Random(9)
    # Every third byte differs: 600 runs, each of which may be a number.
    many = [
        Image.from_bytes(bytes(source.randrange(256) * (at % 3 == 0) for at in range(1800)))
        for _ in range(3)
    ]
    [places] = [
        each
        for each in discover(many, "SUM-16").placements
        if each.placement is Placement.DIFFERING
    ]
    assert places.left_out is not None
    assert "--at" in places.left_out


LARGE = 1 << 16


def left_out(found: Discovery, placement: Placement) -> str | None:
    [searched] = [each for each in found.placements if each.placement is placement]
    return searched.left_out


def search_large(
    name: str, images: list[bytearray], *, guesses: int = 0, at: Span | None = None
) -> Discovery:
    chosen = tuple(item for item in searched_algorithms() if item.name == name)
    given = [Image.from_bytes(bytes(image)) for image in images]
    wish = Wish(algorithms=chosen, totals=False, at=at)
    return discover_checksums(given, wish=wish, guesses=guesses)


@pytest.mark.parametrize("name", ["CRC-8/SMBUS", "SUM-8"])
def test_numbers_drowned_by_chance_are_searched_at_a_given_place_alone(name: str) -> None:
    """64 KiB: 2^31 blocks, of which chance fits 2^15 to two images' numbers of 8 bits."""
    source = random.Random(name)
    images = [bytearray(source.randbytes(LARGE)) for _ in range(2)]
    found = search_large(name, images)
    for placement in (Placement.AFTER_BLOCK, Placement.IMAGE_END):
        assert "8 bits" in (left_out(found, placement) or "")
    # What is left are numbers that are the same in both, one in 256.
    assert found.truncated < 1000
    given = search_large(name, images, at=Span(LARGE - 1, LARGE))
    assert left_out(given, Placement.GIVEN) is None
    assert given.truncated > 10_000


def test_numbers_that_differ_are_found_where_equal_ones_are_drowned() -> None:
    name, block = "CRC-16/IBM-3740", Span(0x4000, 0x4100)
    source = random.Random(16)
    common = source.randbytes(LARGE)
    images = []
    for _ in range(3):
        image = bytearray(common)
        image[block.start : block.end] = source.randbytes(len(block))
        plant(image, name, block.start, block.end, "big", block.end)
        images.append(image)
    found = search_large(name, images)
    assert "16 bits" in (left_out(found, Placement.AFTER_BLOCK) or "")
    assert (found.blocks[0].block, found.blocks[0].images) == (block, (1, 2, 3))
    assert found.blocks[0].expected_by_chance < 0.01


def test_one_image_leaves_nothing_out() -> None:
    """It has nothing but guesses, and whoever gives it asks for them."""
    image = bytearray(random.Random(1).randbytes(LARGE))
    plant(image, "CRC-16/IBM-3740", 0, LARGE - 2, "big", LARGE - 2)
    found = search_large("CRC-16/IBM-3740", [image], guesses=20)
    assert left_out(found, Placement.AFTER_BLOCK) is None
    assert Span(0, LARGE - 2) in [row.block for row in found.blocks]
