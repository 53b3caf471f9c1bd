"""Blocks of constant total in images that hardly differ: one row each, the true block in it."""

from __future__ import annotations

import random

import pytest

from memtool.core.discovery import (
    DiscoveredBlock,
    Discovery,
    Placement,
    Standing,
    discover_checksums,
    searched_algorithms,
)
from memtool.core.discovery.area import Area
from memtool.core.discovery.collecting import Collector
from memtool.core.discovery.ordering import order_blocks
from memtool.core.discovery.sum_sides import SumSides, group_sums
from memtool.core.discovery.total_search import search_totals
from memtool.core.image import Image
from memtool.core.span import Span


def discover(images: list[bytearray], *, most: int = 20) -> Discovery:
    found = [Image.from_bytes(bytes(image)) for image in images]
    return discover_checksums(found, most=most)


def convincing(found: Discovery) -> list[DiscoveredBlock]:
    return [row for row in found.blocks if row.standing is Standing.CONVINCING]


def reads(row: DiscoveredBlock, algorithm: str, block: Span) -> bool:
    """Whether a row, or a reading of it, is this block with its number inside."""
    return (row.algorithm, row.block) == (algorithm, block) or any(
        other.algorithm == algorithm
        and any(is_in(block.start, run, other.start_step) for run in other.starts)
        and any(is_in(block.end, run, other.end_step) for run in other.ends)
        for other in row.equivalents
    )


def is_in(address: int, run: Span, step: int) -> bool:
    return address in run and (address - run.start) % step == 0


def balanced(image: bytearray, name: str, block: Span, at: int) -> None:
    """Make the block's total zero by its byte `at`."""
    image[at] = 0
    rest = image[block.start : block.end]
    value = 0
    for byte in rest:
        value = value ^ byte if name == "XOR-8" else value - byte & 0xFF
    image[at] = value


@pytest.mark.parametrize("name", ["SUM-8/TOTAL", "XOR-8"])
@pytest.mark.parametrize("at", [360, 420])
def test_a_zero_total_in_images_that_are_equal_around_it_is_one_row(name: str, at: int) -> None:
    """Blocks whose borders differ by equal bytes are one fact: there are thousands of them."""
    source = random.Random(f"{name} {at}")
    common = bytearray(source.randbytes(1024))
    images = [bytearray(common) for _ in range(5)]
    block = Span(350, 450)
    for image in images:
        image[400:417] = source.randbytes(17)
        balanced(image, name, block, at)
    found = discover(images)
    [row] = [each for each in convincing(found) if len(each.images) > 1]
    assert reads(row, name, block)
    assert row.start_expected_by_chance > 1


def test_two_zero_totals_are_two_rows_and_what_joins_them_follows() -> None:
    source = random.Random(31)
    common = bytearray(source.randbytes(600))
    images = [bytearray(common) for _ in range(5)]
    blocks = [Span(100, 180), Span(300, 420)]
    for image in images:
        for block in blocks:
            image[block.start + 20 : block.start + 37] = source.randbytes(17)
            balanced(image, "SUM-8/TOTAL", block, block.start + 50)
    rows = [row for row in convincing(discover(images)) if len(row.images) > 1]
    assert len(rows) == 2
    for block in blocks:
        assert any(reads(row, "SUM-8/TOTAL", block) for row in rows)


def test_a_zero_total_that_two_of_the_images_share_is_found() -> None:
    source = random.Random(32)
    common = bytearray(source.randbytes(600))
    images = [bytearray(common) for _ in range(6)]
    block = Span(100, 180)
    for number, image in enumerate(images):
        image[120:137] = random.Random(number // 2 * 2 if number < 2 else number).randbytes(17)
        image[500:508] = source.randbytes(8)
        balanced(image, "SUM-8/TOTAL", block, 150)
    [row] = [each for each in convincing(discover(images)) if len(each.images) > 1]
    assert reads(row, "SUM-8/TOTAL", block)
    assert row.images == (1, 3, 4, 5, 6)


def test_total_of_words_keeps_to_their_places() -> None:
    source = random.Random(33)
    common = bytearray(source.randbytes(800))
    images = [bytearray(common) for _ in range(3)]
    for image in images:
        image[300:317] = source.randbytes(17)
        image[330:332] = b"\0\0"
        words = [int.from_bytes(image[at : at + 2], "little") for at in range(200, 500, 2)]
        image[330:332] = ((0xBABA - sum(words)) & 0xFFFF).to_bytes(2, "little")
    [row] = convincing(discover(images))
    assert reads(row, "WORDSUM-16-LE/TOTAL", Span(200, 500))
    assert (row.total, row.placement) == (0xBABA, Placement.INSIDE)


@pytest.mark.parametrize(("width", "count", "size"), [(8, 1, 300), (8, 2, 700), (16, 1, 2000)])
def test_chance_totals_of_random_images_fit_the_expectation(
    width: int, count: int, size: int
) -> None:
    source = random.Random(width * count)
    measured = expected = 0.0
    for _ in range(6):
        area = Area(0, [source.randbytes(size) for _ in range(count)], range(1, count + 1))
        collector = Collector(1)
        chosen = [item for item in searched_algorithms() if item.width == width]
        for sums in group_sums(chosen):
            sides = SumSides(sums, area)
            for algorithm in chosen:
                if algorithm.makes_totals and algorithm.sum == sums.sum:
                    for _ in search_totals(sides, algorithm, collector):
                        pass
        measured += collector.pairs
        expected += collector.chance.total
    assert expected > 30
    assert abs(measured - expected) < 4 * 2 * expected**0.5 + 0.04 * expected


def row_of(algorithm: str, block: Span, field: Span, expected: float) -> DiscoveredBlock:
    return DiscoveredBlock(
        algorithm=algorithm,
        block=block,
        field=field,
        byte_order="big",
        word_swapped=False,
        total=None,
        placement=Placement.AFTER_BLOCK,
        images=(1, 2),
        bits=32.0,
        expected_by_chance=expected,
        start_expected_by_chance=0.0,
        standing=Standing.CONVINCING,
        equivalents=(),
    )


def test_only_what_a_block_waits_for_comes_before_it() -> None:
    inner = row_of("inner", Span(10, 20), Span(20, 22), 1e-5)
    best = row_of("best", Span(0, 90), Span(90, 94), 1e-9)
    apart = row_of("apart", Span(100, 120), Span(120, 122), 1e-7)
    chance = row_of("chance", Span(130, 140), Span(140, 142), 9e-3)
    ordered = order_blocks([chance, apart, best, inner])
    assert [row.algorithm for row in ordered] == ["inner", "best", "apart", "chance"]


def test_blocks_that_cover_each_others_fields_come_better_one_first() -> None:
    one = row_of("one", Span(10, 40), Span(40, 42), 1e-5)
    two = row_of("two", Span(30, 60), Span(20, 22), 1e-9)
    three = row_of("three", Span(50, 52), Span(52, 54), 1e-3)
    ordered = order_blocks([one, two, three])
    assert [row.algorithm for row in ordered] == ["three", "two", "one"]
