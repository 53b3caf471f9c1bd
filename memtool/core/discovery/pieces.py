"""What a search looks for, cut into pieces of work that do not wait for each other."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from memtool.core.checksums.algorithms import Algorithm
from memtool.core.discovery.area import Area, FixedField
from memtool.core.discovery.collecting import Collector, number_orders
from memtool.core.discovery.crc_search import expect_fixed, search_after_block, search_fixed_fields
from memtool.core.discovery.crc_sides import CrcGroup, CrcSides, group_crcs
from memtool.core.discovery.places import FieldPlaces
from memtool.core.discovery.results import DiscoveredBlock, Placement
from memtool.core.discovery.sum_search import search_sums_after_block, search_sums_fixed_fields
from memtool.core.discovery.sum_sides import SumGroup, SumSides, group_sums
from memtool.core.discovery.total_search import search_totals, search_totals_of_fields
from memtool.core.discovery.unknown_search import UnknownSearch
from memtool.core.discovery.work import Piece
from memtool.core.span import Span

DROWNED = 10.0
"""Fixed places are not searched where chance makes more blocks of one kind than this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What to look for, and where."""

    algorithms: tuple[Algorithm, ...]
    after_block: bool = True
    fixed_places: bool = True
    """The image's end and the bytes that differ; not with `at`."""
    totals: bool = True
    word_swapped: bool = True
    unknown_constants: bool = True
    """CRCs of catalogued polynomials with start value and final XOR of their own."""
    at: Span | None = None
    """The number lies in here, and is looked for nowhere else."""
    within: Span | None = None
    """Block and number lie in here."""


def pieces_of(area: Area, places: Sequence[FieldPlaces], wish: Wish, most: int) -> Iterator[Piece]:
    """All searches of one area, none started yet."""
    groups = group_crcs(wish.algorithms)
    wanted = wish.unknown_constants and wish.at is None
    unknown = UnknownSearch(area, groups if wanted else (), word_swapped=wish.word_swapped)
    for group in groups:
        # Each piece has a collector of its own: pieces may run at once, and none waits for a lock.
        collector, found = Collector(most), list[DiscoveredBlock]()
        run = _crc_pieces(group, area, places, wish, collector, unknown, found)
        yield Piece(f"CRC-{group.width}", run, collector, found)
    known = {(group.width, group.poly, group.reflected) for group in groups}
    for group in unknown.groups:
        if (group.width, group.poly, group.reflected) not in known:
            found = list[DiscoveredBlock]()
            run = _unknown_pieces(group, area, unknown, found)
            yield Piece("unknown constants", run, Collector(most), found)
    for sums in group_sums(wish.algorithms):
        collector = Collector(most)
        yield Piece(sums.sum.name, _sum_pieces(sums, area, places, wish, collector), collector, [])


def _crc_pieces(
    group: CrcGroup,
    area: Area,
    places: Sequence[FieldPlaces],
    wish: Wish,
    collector: Collector,
    unknown: UnknownSearch,
    found: list[DiscoveredBlock],
) -> Iterator[None]:
    sides = CrcSides(group, area)
    yield
    after = wish.after_block and wish.at is None
    if after:
        yield from search_after_block(sides, collector, word_swapped=wish.word_swapped)
    for kind in places:
        yield from search_fixed_fields(
            sides,
            _fields(kind, area, group.width, wish, collector, mixed=True),
            kind.placement,
            collector,
            word_swapped=wish.word_swapped,
            skip_adjacent=after,
        )
    # The same sides once more, while they are at hand.
    yield from unknown.run(sides, found)


def _unknown_pieces(
    group: CrcGroup, area: Area, unknown: UnknownSearch, found: list[DiscoveredBlock]
) -> Iterator[None]:
    sides = CrcSides(group, area)
    yield
    yield from unknown.run(sides, found)


def _sum_pieces(
    group: SumGroup, area: Area, places: Sequence[FieldPlaces], wish: Wish, collector: Collector
) -> Iterator[None]:
    sides = SumSides(group, area)
    after = wish.after_block and wish.at is None
    # What sums are worth in these images is measured there, even where nothing is looked for.
    heard = collector if after else Collector(0)
    yield from search_sums_after_block(sides, heard, word_swapped=wish.word_swapped)
    for kind in places:
        yield from search_sums_fixed_fields(
            sides,
            _fields(kind, area, group.sum.width, wish, collector),
            kind.placement,
            collector,
            word_swapped=wish.word_swapped,
            skip_adjacent=after,
        )
    if wish.totals:
        for algorithm in _totals(group, wish):
            if wish.at is None:
                yield from search_totals(sides, algorithm, collector)
            for kind in places:
                yield from search_totals_of_fields(
                    sides,
                    algorithm,
                    _fields(kind, area, group.sum.width, wish, collector),
                    kind.placement,
                    collector,
                    word_swapped=wish.word_swapped,
                )


def _fields(
    kind: FieldPlaces,
    area: Area,
    width: int,
    wish: Wish,
    collector: Collector,
    *,
    mixed: bool = False,
) -> tuple[FixedField, ...]:
    """The places of one kind worth a search; those where chance drowns any truth are noted.

    Args:
        kind: The places.
        area: Where the blocks lie.
        width: Of the numbers, in bits.
        wish: What is searched: all algorithms of this width are tried at each place.
        collector: Takes the note.
        mixed: Numbers are those of a CRC, in which each byte differs with the number.
    """
    fields = kind.fields_in(area, width // 8)
    if kind.placement is not Placement.DIFFERING:
        return fields
    if mixed:
        fields = tuple(field for field in fields if field.is_mixed)
    tried = sum(each.width == width for each in wish.algorithms)
    tried *= len(number_orders(width // 8, word_swapped=wish.word_swapped))
    expected: dict[int, float] = {}
    for field in fields:
        made = tried * expect_fixed(area, field, width // 8, width)
        expected[field.distinct] = expected.get(field.distinct, 0.0) + made
    # By how many different numbers a field has: with more of them chance makes fewer matches.
    drowned = {level for level, made in expected.items() if made > DROWNED}
    if drowned:
        collector.drowned.add(width)
    return tuple(field for field in fields if field.distinct not in drowned)


def _totals(group: SumGroup, wish: Wish) -> list[Algorithm]:
    """What makes totals of this sum."""
    return [each for each in wish.algorithms if each.makes_totals and each.sum == group.sum]
