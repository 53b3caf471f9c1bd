"""Planted blocks of every algorithm are found, in their class, first where chance is ruled out."""

from __future__ import annotations

import random

from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.core.discovery import (
    CONVINCING,
    DiscoveredBlock,
    Discovery,
    Wish,
    discover_checksums,
    searched_algorithms,
)
from memtool.core.image import Image
from memtool.core.span import Span
from tests.planted import SUMS, TEXTURES, WHOLE_BYTE_CRCS, Order, Texture, plant, textured, value_of

ALL_NAMES = (*WHOLE_BYTE_CRCS, *SUMS)
SIZE = 256


def wish_for(*names: str, at: Span | None = None, within: Span | None = None) -> Wish:
    """A search for a few algorithms alone, to keep tests short."""
    chosen = tuple(item for item in searched_algorithms() if item.name in names)
    return Wish(algorithms=chosen, at=at, within=within)


def discover(images: list[bytearray], most: int = 20, wish: Wish | None = None) -> Discovery:
    found = [Image.from_bytes(bytes(image)) for image in images]
    return discover_checksums(found, wish=wish, most=most, guesses=most)


def explains(row: DiscoveredBlock, name: str, block: Span, field: Span) -> bool:
    """Whether the planted block is in the row's class."""
    if (row.algorithm, row.block, row.field) == (name, block, field):
        return True
    return any(
        other.algorithm == name
        and any(is_in(block.start, run, other.start_step) for run in other.starts)
        and any(is_in(block.end, run, other.end_step) for run in other.ends)
        for other in row.equivalents
    )


def is_in(address: int, run: Span, step: int) -> bool:
    return address in run and (address - run.start) % step == 0


def proves_nothing(name: str, images: list[bytearray], block: Span, field: Span) -> bool:
    """What the search leaves out, in every image: blocks of one byte value, except with a CRC
    shorter than the block and not of one byte value; erased fields of two bytes or more."""

    def is_blank(image: bytearray) -> bool:
        covered, stored = set(image[block.start : block.end]), set(image[field.start : field.end])
        if len(field) > 1 and stored <= {0x00, 0xFF}:
            return True
        short = name in SUMS or len(stored) == 1 or len(block) <= len(field)
        return len(covered) == 1 and short

    return all(is_blank(image) for image in images)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(
    name=st.sampled_from(ALL_NAMES),
    texture=st.sampled_from(TEXTURES),
    count=st.integers(1, 4),
    order=st.sampled_from(["big", "little"]),
    start=st.integers(0, SIZE - 24),
    words=st.integers(1, SIZE // 2),
    seed=st.integers(0, 2**32),
)
def test_planted_block_is_in_its_class_and_first_where_chance_is_ruled_out(
    name: str, texture: Texture, count: int, order: Order, start: int, words: int, seed: int
) -> None:
    images = textured(texture, SIZE, count, random.Random(seed))
    length, _ = value_of(name, b"")
    block = Span(start, min(start + 2 * words, start + (SIZE - length - start) // 2 * 2))
    field = Span(block.end, block.end + length)
    for image in images:
        plant(image, name, block.start, block.end, order, field.start)
    if proves_nothing(name, images, block, field):
        return
    found = discover(images, most=2000, wish=wish_for(name))
    rows = [row for row in found.blocks if explains(row, name, block, field)]
    assert rows, (block, found.blocks[:5])
    row = rows[0]
    if row.expected_by_chance < CONVINCING and row.start_expected_by_chance < CONVINCING:
        assert explains(found.blocks[0], name, block, field)


@settings(max_examples=50, deadline=None, derandomize=True)
@given(
    name=st.sampled_from(ALL_NAMES),
    texture=st.sampled_from(TEXTURES),
    count=st.integers(2, 4),
    order=st.sampled_from(["big", "little"]),
    before=st.booleans(),
    gap=st.integers(1, 40),
    words=st.integers(4, 60),
    seed=st.integers(0, 2**32),
)
def test_a_number_that_lies_elsewhere_is_found_where_the_images_differ(
    name: str,
    texture: Texture,
    count: int,
    order: Order,
    before: bool,
    gap: int,
    words: int,
    seed: int,
) -> None:
    images = textured(texture, SIZE, count, random.Random(seed))
    common = images[0][:]
    length, _ = value_of(name, b"")
    start = 50
    end = start + 2 * words
    at = start - length - gap if before else end + gap
    for number, image in enumerate(images):
        image[:start], image[end:] = common[:start], common[end:]
        image[start + number % 4 : start + 8] = random.Random(seed + number).randbytes(8)[
            number % 4 :
        ]
        plant(image, name, start, end, order, at)
    block, field = Span(start, end), Span(at, at + length)
    different = {bytes(image[at : at + length]) for image in images}
    if len(different) < 2 or any(set(stored) <= {0x00, 0xFF} for stored in different):
        return
    found = discover(images, most=3000, wish=wish_for(name))
    rows = [row for row in found.blocks if explains(row, name, block, field)]
    assert rows, (block, field, found.blocks[:3])


def test_every_algorithm_is_found_beside_all_the_others() -> None:
    source = random.Random(94)
    size = 48
    images = textured("random", size * len(ALL_NAMES), 6, source)
    planted: dict[str, tuple[Span, Span]] = {}
    for number, name in enumerate(ALL_NAMES):
        length, _ = value_of(name, b"")
        block = Span(size * number, size * number + 36)
        for image in images:
            plant(image, name, block.start, block.end, "little", block.end)
        planted[name] = (block, Span(block.end, block.end + length))
    wish = Wish(algorithms=searched_algorithms(), fixed_places=False)
    found = discover(images, most=200, wish=wish)
    convincing = [row for row in found.blocks if row.expected_by_chance < CONVINCING]
    for name, (block, field) in planted.items():
        rows = [row for row in convincing if explains(row, name, block, field)]
        assert rows, name
        assert rows[0].byte_order == (None if len(field) == 1 else "little")
    assert len(convincing) == len(planted)
