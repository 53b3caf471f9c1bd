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


def is_stored_twice(images: list[bytearray], block: Span, field: Span) -> bool:
    """Whether no more than one number of the field's length says something in the block."""
    used = [
        place
        for place in range(block.start, block.end)
        if len({image[place] for image in images}) > 1 or (len(images) == 1 and images[0][place])
    ]
    return not used or used[-1] - used[0] < len(field)


def differing_elements(images: list[bytearray], block: Span, step: int) -> int:
    """How many elements of a block are not the same in all images."""
    places = range(block.start, block.end, step)
    return sum(len({bytes(image[at : at + step]) for image in images}) > 1 for at in places)


def proves_nothing(name: str, images: list[bytearray], block: Span, field: Span) -> bool:
    """What the search leaves out, in every image: blocks of one byte value, or shorter than
    their number, or a copy of it; except with a CRC
    shorter than the block and not of one byte value; erased fields of two bytes or more."""

    if len(block) < max(2, len(field)) or is_stored_twice(images, block, field):
        return True

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
    if row.expected_by_chance < CONVINCING:
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
        if name.startswith("XOR-16"):
            # Words of the other order, stored the other way round, are the same bytes.
            swapped = {"XOR-16-BE": ("XOR-16-LE", "big"), "XOR-16-LE": ("XOR-16-BE", "big")}
            named = rows[0].algorithm, rows[0].byte_order
            assert named in ((name, "little"), swapped[name])
            continue
        assert rows[0].byte_order == (None if len(field) == 1 else "little")
    assert len(convincing) == len(planted)


def missing_to_total(name: str, total: int, rest: bytes) -> int:
    """What a field must hold beside `rest`: the contract's sentence on ``/TOTAL``, in loops."""
    if name.startswith("XOR"):
        return total ^ value_of(name, rest)[1]
    plain = name.removesuffix("/TOTAL")
    width = int(plain.split("-")[1])
    if plain.startswith("SUM"):
        return (total - sum(rest)) % (1 << width)
    order: Order = "big" if plain.endswith("BE") else "little"
    words = [int.from_bytes(rest[at : at + 2], order) for at in range(0, len(rest), 2)]
    return (total - sum(words)) % (1 << width)


def plant_total(
    image: bytearray, name: str, total: int, block: Span, field: Span, order: Order
) -> None:
    rest = bytes(image[block.start : field.start] + image[field.end : block.end])
    value = missing_to_total(name, total, rest)
    image[field.start : field.end] = value.to_bytes(len(field), order)


def total_length(name: str) -> int:
    return int(name.removesuffix("/TOTAL").split("-")[1]) // 8


ANYWHERE = (
    ("SUM-8/TOTAL", 0x00),
    ("SUM-8/TOTAL", 0xFF),
    ("WORDSUM-16-BE/TOTAL", 0x0000),
    ("WORDSUM-16-BE/TOTAL", 0xFFFF),
    ("WORDSUM-16-LE/TOTAL", 0xBABA),
    ("XOR-8", 0x00),
    ("XOR-16-BE", 0x0000),
    ("XOR-16-LE", 0x0000),
)
"""The number adds itself wherever it lies, so its place need not be known."""
AT_PLACES = (
    ("SUM-16/TOTAL", 0x0000),
    ("SUM-16/TOTAL", 0xFFFF),
    ("SUM-32/TOTAL", 0x00000000),
    ("SUM-32/TOTAL", 0xFFFFFFFF),
    ("WORDSUM-32-BE/TOTAL", 0x00000000),
    ("WORDSUM-32-LE/TOTAL", 0xFFFFFFFF),
)


def order_of(name: str, wanted: Order) -> Order:
    """Numbers of word sums have the order of their words; the contract knows no other."""
    if name.startswith(("WORDSUM", "XOR-16")):
        return "big" if "-BE" in name else "little"
    return wanted


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    kind=st.sampled_from(ANYWHERE),
    texture=st.sampled_from(TEXTURES),
    count=st.integers(2, 6),
    start=st.integers(0, 60),
    words=st.integers(8, 60),
    place=st.integers(0, 200),
    seed=st.integers(0, 2**32),
)
def test_a_constant_total_is_found_wherever_its_number_lies(
    kind: tuple[str, int],
    texture: Texture,
    count: int,
    start: int,
    words: int,
    place: int,
    seed: int,
) -> None:
    (name, total), length = kind, total_length(kind[0])
    images = textured(texture, SIZE, count, random.Random(seed))
    block = Span(start, start + 2 * words)
    at = start + place % (2 * words - length + 1) // length * length
    for image in images:
        plant_total(image, name, total, block, Span(at, at + length), order_of(name, "big"))
    found = discover(images, most=3000, wish=wish_for(name))
    rows = [
        row
        for row in found.blocks
        if (row.algorithm, row.total, row.block) == (name, total, block)
        or any(
            (other.algorithm, other.total) == (name, total)
            and any(is_in(block.start, run, other.start_step) for run in other.starts)
            and any(is_in(block.end, run, other.end_step) for run in other.ends)
            for other in row.equivalents
        )
        or (total == 0 and explains(row, name, Span(block.start, block.end - length), block))
    ]
    covered = [set(image[block.start : block.end]) for image in images]
    # Two elements are a value and its complement, stored twice.
    enough = differing_elements(images, block, length) > 2
    if enough and any(len(bytes_of) > 4 for bytes_of in covered):
        assert rows, (block, at, found.blocks[:3])


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    kind=st.sampled_from((*AT_PLACES, *ANYWHERE)),
    texture=st.sampled_from(("random", "text", "near-identical")),
    count=st.integers(2, 4),
    order=st.sampled_from(["big", "little"]),
    given=st.booleans(),
    words=st.integers(8, 31),
    place=st.integers(0, 200),
    seed=st.integers(0, 2**32),
)
def test_a_total_with_its_number_inside_is_found_at_its_place(
    kind: tuple[str, int],
    texture: Texture,
    count: int,
    order: Order,
    given: bool,
    words: int,
    place: int,
    seed: int,
) -> None:
    (name, total), length = kind, total_length(kind[0])
    given = given or kind in ANYWHERE
    order = order_of(name, order)
    images = textured(texture, SIZE, count, random.Random(seed))
    common = images[0][:]
    block = Span(50, 50 + 2 * words)
    at = 52 + place % (2 * words - length - 4) // 2 * 2
    field = Span(at, at + length)
    for number, image in enumerate(images):
        image[:50], image[block.end :] = common[:50], common[block.end :]
        for byte in range(60, block.end, 7):
            image[byte] = random.Random(seed + number + byte).randrange(256)
        plant_total(image, name, total, block, field, order)
    if differing_elements(images, block, 1) <= 2 * length:
        return  # Hardly more than a number and what is stored of it.
    wish = wish_for(name, at=field if given else None)
    found = discover(images, most=3000, wish=wish)
    written = None if length == 1 else order
    wanted = (name, total, field, written)
    rows = [
        row
        for row in found.blocks
        if (row.algorithm, row.total, row.field, row.byte_order, row.block) == (*wanted, block)
        or any(
            (other.algorithm, other.total, other.field, other.byte_order) == wanted
            and any(is_in(block.start, run, other.start_step) for run in other.starts)
            and any(is_in(block.end, run, other.end_step) for run in other.ends)
            for other in row.equivalents
        )
    ]
    assert rows, (block, field, found.blocks[:3], found.placements)
    for row in found.blocks:
        assert not given or row.field is None or field.contains(row.field)


def test_start_among_equal_bytes_is_listed_where_another_start_breaks_their_parity() -> None:
    """Sixty-four even addresses of an erased area and an odd one elsewhere: a found case."""
    images = textured("half-erased", SIZE, 1, random.Random(25832))
    block, field = Span(0x66, 0xF6), Span(0xF6, 0xF7)
    plant(images[0], "XOR-8", block.start, block.end, "big", field.start)
    found = discover(images, most=2000, wish=wish_for("XOR-8"))
    rows = [row for row in found.blocks if explains(row, "XOR-8", block, field)]
    assert len(rows) == 1
    assert max(len(other.starts) for other in rows[0].equivalents) < 32
