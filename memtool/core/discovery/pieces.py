"""What a search looks for, cut into pieces of work that do not wait for each other."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from memtool.core.checksums.algorithms import Algorithm
from memtool.core.discovery.area import Area, FixedField
from memtool.core.discovery.collecting import DROWNED_ANYWHERE, Collector, number_orders
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
"""Places that differ are not searched where chance makes more blocks of one kind than this."""


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

    @property
    def looks_behind(self) -> bool:
        """Whether numbers right behind their block are looked for."""
        return self.after_block and self.at is None


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
    if wish.looks_behind:
        yield from search_after_block(
            sides,
            collector,
            word_swapped=wish.word_swapped,
            tried=_tried(area, wish, group.width),
        )
    search = partial(search_fixed_fields, sides)
    yield from _fixed_pieces(search, area, group.width, places, wish, collector, mixed=True)
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
    # What sums are worth in these images is measured there, even where nothing is looked for.
    heard = collector if wish.looks_behind else Collector(0)
    width = group.sum.width
    yield from search_sums_after_block(
        sides, heard, word_swapped=wish.word_swapped, tried=_tried(area, wish, width)
    )
    search = partial(search_sums_fixed_fields, sides)
    yield from _fixed_pieces(search, area, width, places, wish, collector)
    if wish.totals:
        for algorithm in _totals(group, wish):
            if wish.at is None:
                tried = _tried_totals(area, wish, width)
                yield from search_totals(sides, algorithm, collector, tried=tried)
            for kind in places:
                yield from search_totals_of_fields(
                    sides,
                    algorithm,
                    _fields(kind, area, width, wish, collector),
                    kind.placement,
                    collector,
                    word_swapped=wish.word_swapped,
                )


def _fixed_pieces(
    search: Callable[..., Iterator[None]],
    area: Area,
    width: int,
    places: Sequence[FieldPlaces],
    wish: Wish,
    collector: Collector,
    *,
    mixed: bool = False,
) -> Iterator[None]:
    """Search for numbers at fixed places.

    Args:
        search: `search_fixed_fields` or `search_sums_fixed_fields`, with its sides.
        area: Where blocks lie.
        width: Of the numbers, in bits.
        places: Where they may lie.
        wish: What is looked for.
        collector: Takes the results.
        mixed: See `_fields`.
    """
    for kind in places:
        fields = _fields(kind, area, width, wish, collector, mixed=mixed)
        for some, skip in _with_adjacent(fields, width, wish, collector):
            yield from search(
                some,
                kind.placement,
                collector,
                word_swapped=wish.word_swapped,
                skip_adjacent=skip,
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
    differing = kind.placement is Placement.DIFFERING
    if kind.placement is Placement.GIVEN or area.count < 2:
        return fields
    if mixed and differing:
        fields = tuple(field for field in fields if field.is_mixed)
    tried = _tried(area, wish, width)
    expected: dict[int, float] = {}
    for field in fields:
        made = tried * expect_fixed(area, field, width // 8, width)
        expected[field.distinct] = expected.get(field.distinct, 0.0) + made
    # By how many different numbers a field has: with more of them chance makes fewer matches.
    # The end of several images is as likely a place as right behind the block.
    most = DROWNED if differing else DROWNED_ANYWHERE
    drowned = {level for level, made in expected.items() if made > most}
    if drowned:
        collector.leave_out(kind.placement, width, drowned)
    return tuple(field for field in fields if field.distinct not in drowned)


def _with_adjacent(
    fields: Sequence[FixedField], width: int, wish: Wish, collector: Collector
) -> Iterator[tuple[list[FixedField], bool]]:
    """The fields, and whether blocks that end right before them were searched already."""
    after = wish.looks_behind
    left_out = collector.drowned.get((Placement.AFTER_BLOCK, width), set()) if after else set()
    for skip in (True, False):
        some = [each for each in fields if (after and each.distinct not in left_out) == skip]
        if some:
            yield some, skip


def _tried(area: Area, wish: Wish, width: int) -> int:
    """Algorithms and byte orders of one width; 0 for one image, which says nothing but guesses."""
    if area.count < 2:
        return 0
    tried = sum(each.width == width for each in wish.algorithms)
    return tried * len(number_orders(width // 8, word_swapped=wish.word_swapped))


def _tried_totals(area: Area, wish: Wish, width: int) -> int:
    """The same of totals with the number anywhere inside."""
    own = [each.sum for each in wish.algorithms if each.makes_totals and each.width == width]
    return sum(len(one.totals) for one in own if one is not None) if area.count > 1 else 0


def _totals(group: SumGroup, wish: Wish) -> list[Algorithm]:
    """What makes totals of this sum."""
    return [each for each in wish.algorithms if each.makes_totals and each.sum == group.sum]
