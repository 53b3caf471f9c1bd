"""Numbers at fixed places: chance matches of random images fit what is printed for them."""

from __future__ import annotations

import random
from collections.abc import Sequence

import pytest

from memtool.core.checksums.sums import Ending
from memtool.core.discovery import Placement, searched_algorithms
from memtool.core.discovery.area import Area, FixedField
from memtool.core.discovery.collecting import Collector
from memtool.core.discovery.crc_search import search_fixed_fields
from memtool.core.discovery.crc_sides import CrcSides, group_crcs
from memtool.core.discovery.sum_search import search_sums_fixed_fields
from memtool.core.discovery.sum_sides import SumSides, group_sums
from memtool.core.discovery.total_search import search_totals_of_fields


def search(images: Sequence[bytes], offsets: Sequence[int], width: int, kind: str) -> Collector:
    """One kind of search for numbers of one width at these offsets."""
    area, collector = Area(0, images, range(1, len(images) + 1)), Collector(1)
    length = width // 8
    fields = [
        FixedField.of(at, tuple(image[at : at + length] for image in images)) for at in offsets
    ]
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
