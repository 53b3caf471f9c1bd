"""Numbers at fixed places: chance matches of random images fit what is printed for them."""

from __future__ import annotations

import random
from collections.abc import Sequence

import pytest

from memtool.core.checksums.sums import Ending
from memtool.core.discovery import Placement, searched_algorithms
from memtool.core.discovery.area import Area
from memtool.core.discovery.collecting import Collector, number_orders
from memtool.core.discovery.crc_search import search_fixed_fields
from memtool.core.discovery.crc_sides import CrcSides, group_crcs
from memtool.core.discovery.fixed_fields import FixedField, FixedFields
from memtool.core.discovery.sum_search import search_sums_fixed_fields
from memtool.core.discovery.sum_sides import SumSides, group_sums
from memtool.core.discovery.total_search import search_totals_of_fields
from tests.planted import plant


def search(images: Sequence[bytes], offsets: Sequence[int], width: int, kind: str) -> Collector:
    """One kind of search for numbers of one width at these offsets."""
    area, collector = Area(0, images, range(1, len(images) + 1)), Collector(1)
    length = width // 8
    fields = FixedFields(
        FixedField.of(at, tuple(image[at : at + length] for image in images)) for at in offsets
    )
    chosen = [item for item in searched_algorithms() if item.width == width]
    if kind == "crcs":
        for group in group_crcs(chosen):
            for _ in search_fixed_fields(
                CrcSides(group, area),
                fields,
                Placement.GIVEN,
                collector,
                word_swapped=True,
                skip_adjacent=False,
            ):
                pass
        return collector
    totals = [item for item in chosen if item.ending is Ending.TOTAL]
    for sums in group_sums(chosen):
        sides = SumSides(sums, area)
        if kind == "sums":
            for _ in search_sums_fixed_fields(
                sides, fields, Placement.GIVEN, collector, word_swapped=True, skip_adjacent=False
            ):
                pass
            continue
        for total in totals:
            if total.sum == sums.sum:
                for _ in search_totals_of_fields(
                    sides, total, fields, Placement.GIVEN, collector, word_swapped=True
                ):
                    pass
    return collector


@pytest.mark.parametrize(
    ("kind", "width", "count", "size", "turns"),
    [
        ("crcs", 8, 1, 200, 12),
        ("crcs", 8, 2, 500, 12),
        ("crcs", 16, 1, 1500, 6),
        ("sums", 8, 2, 900, 12),
        ("sums", 16, 1, 1500, 12),
        ("totals", 8, 1, 300, 20),
        ("totals", 8, 2, 2000, 12),
        ("totals", 16, 1, 2000, 20),
    ],
)
def test_chance_matches_of_fixed_fields_fit_the_expectation(
    kind: str, width: int, count: int, size: int, turns: int
) -> None:
    source = random.Random(f"{kind} {width} {count}")
    measured = expected = 0.0
    for _ in range(turns):
        offsets = sorted(source.sample(range(0, size - 8, 9), 6))
        images = [source.randbytes(size) for _ in range(count)]
        collector = search(images, offsets, width, kind)
        measured += collector.pairs
        expected += collector.chance.total
    assert expected > 30
    # Matches come in clumps, so allow for twice Poisson's spread.
    assert abs(measured - expected) < 4 * 2 * expected**0.5 + 0.04 * expected


@pytest.mark.parametrize("apart", [(0, 1), (0, 2), (1, 2)])
def test_a_crc_that_two_of_three_images_share_is_found_though_all_else_differs(
    apart: tuple[int, int],
) -> None:
    source = random.Random(f"{apart}")
    images = [bytearray(source.randbytes(900)) for _ in range(3)]
    # Two images have the same block, and so the same number; the third has its own.
    images[apart[1]][200:260] = images[apart[0]][200:260]
    for image in images:
        plant(image, "CRC-32/ISO-HDLC", 200, 260, "big", 600)
    collector = search([bytes(image) for image in images], [600, 640, 700], 32, "crcs")
    found = {(each.algorithm, each.start, each.end, each.field) for each in collector.candidates}
    assert ("CRC-32/ISO-HDLC", 200, 260, 600) in found


def test_fields_tell_their_numbers_in_any_order_and_which_images_differ_there() -> None:
    stored = [(b"\1\2\3\4",) * 3, (b"abcd", b"abcd", b"dcba"), (b"abcd", b"efgh", b"ijkl")]
    fields = FixedFields(FixedField.of(at, each) for at, each in enumerate(stored))
    for order in number_orders(4):
        for image, numbers in enumerate(fields.numbers(order)):
            assert numbers.tolist() == [order.number(each[image]) for each in stored]
    by_images = {images: places.tolist() for images, places in fields.by_images.items()}
    assert by_images == {(0,): [0], (0, 2): [1], (0, 1, 2): [2]}
    assert fields.where(fields.distinct > 1).offsets.tolist() == [1, 2]
