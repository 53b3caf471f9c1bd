"""What a search looks for, cut into pieces of work that do not wait for each other."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from memtool.core.checksums.algorithms import Algorithm
from memtool.core.discovery.area import Area
from memtool.core.discovery.collecting import DROWNED_ANYWHERE, Collector, number_orders
from memtool.core.discovery.crc_search import expect_fixed, search_after_block, search_fixed_fields
from memtool.core.discovery.crc_sides import CrcGroup, CrcSides, group_crcs
from memtool.core.discovery.fixed_fields import FixedFields
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
    groups, chosen = group_crcs(wish.algorithms), _Places(area, places, wish)
    wanted = wish.unknown_constants and wish.at is None
    unknown = UnknownSearch(area, groups if wanted else (), word_swapped=wish.word_swapped)

    def has_places(width: int) -> bool:
        return any(kind.by_length.get(width // 8) for kind in places)

    for group in groups:
        # A place that was given has room for numbers of few widths.
        if not (wish.looks_behind or wanted or has_places(group.width)):
            continue
        # Each piece has a collector of its own: pieces may run at once, and none waits for a lock.
        collector, found = Collector(most), list[DiscoveredBlock]()
        run = _crc_pieces(group, area, chosen, wish, collector, unknown, found)
        yield Piece(f"CRC-{group.width}", run, collector, found)
    known = {(group.width, group.poly, group.reflected) for group in groups}
    for group in unknown.groups:
        if (group.width, group.poly, group.reflected) not in known:
            found = list[DiscoveredBlock]()
            run = _unknown_pieces(group, area, unknown, found)
            yield Piece("unknown constants", run, Collector(most), found)
    anywhere = wish.looks_behind or (wish.totals and wish.at is None)
    for sums in group_sums(wish.algorithms):
        if not (anywhere or has_places(sums.sum.width)):
            continue
        collector = Collector(most)
        yield Piece(sums.sum.name, _sum_pieces(sums, area, chosen, wish, collector), collector, [])


def _crc_pieces(
    group: CrcGroup,
    area: Area,
    places: _Places,
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
    search = partial(search_fixed_fields, sides, word_swapped=wish.word_swapped)
    yield from _fixed_pieces(search, group.width, places, collector, mixed=True)
    # The same sides once more, while they are at hand.
    yield from unknown.run(sides, found)


def _unknown_pieces(
    group: CrcGroup, area: Area, unknown: UnknownSearch, found: list[DiscoveredBlock]
) -> Iterator[None]:
    sides = CrcSides(group, area)
    yield
    yield from unknown.run(sides, found)


def _sum_pieces(
    group: SumGroup, area: Area, places: _Places, wish: Wish, collector: Collector
) -> Iterator[None]:
    sides = SumSides(group, area)
    # What sums are worth in these images is measured there, even where nothing is looked for.
    heard = collector if wish.looks_behind else Collector(0)
    width = group.sum.width
    yield from search_sums_after_block(
        sides, heard, word_swapped=wish.word_swapped, tried=_tried(area, wish, width)
    )
    search = partial(search_sums_fixed_fields, sides, word_swapped=wish.word_swapped)
    yield from _fixed_pieces(search, width, places, collector)
    if wish.totals:
        for algorithm in _totals(group, wish):
            if wish.at is None:
                tried = _tried_totals(area, wish, width)
                yield from search_totals(sides, algorithm, collector, tried=tried)
            for kind in places.kinds:
                yield from search_totals_of_fields(
                    sides,
                    algorithm,
                    places.of(kind, width, collector),
                    kind.placement,
                    collector,
                    word_swapped=wish.word_swapped,
                )


def _fixed_pieces(
    search: Callable[..., Iterator[None]],
    width: int,
    places: _Places,
    collector: Collector,
    *,
    mixed: bool = False,
) -> Iterator[None]:
    """Search for numbers at fixed places.

    Args:
        search: `search_fixed_fields` or `search_sums_fixed_fields`, with its sides and wish.
        width: Of the numbers, in bits.
        places: Where they may lie.
        collector: Takes the results.
        mixed: See `_Places.of`.
    """
    for kind in places.kinds:
        fields = places.of(kind, width, collector, mixed=mixed)
        for some, skip in places.with_adjacent(fields, width, collector):
            yield from search(some, kind.placement, collector, skip_adjacent=skip)


class _Places:
    """The fixed places of one area that are worth a search, chosen once for each width."""

    def __init__(self, area: Area, places: Sequence[FieldPlaces], wish: Wish) -> None:
        self.kinds, self._area, self._wish = places, area, wish
        self._known: dict[tuple[Placement, int, bool], tuple[FixedFields, set[int]]] = {}

    def of(
        self, kind: FieldPlaces, width: int, collector: Collector, *, mixed: bool = False
    ) -> FixedFields:
        """The places of one kind; those where chance drowns any truth are left out and noted.

        Args:
            kind: The places.
            width: Of the numbers, in bits.
            collector: Takes the note.
            mixed: Numbers are those of a CRC, in which each byte differs with the number.
        """
        key = kind.placement, width, mixed
        if key not in self._known:
            self._known[key] = self._choose(kind, width, mixed=mixed)
        fields, drowned = self._known[key]
        if drowned:
            collector.leave_out(kind.placement, width, drowned)
        return fields

    def _choose(
        self, kind: FieldPlaces, width: int, *, mixed: bool
    ) -> tuple[FixedFields, set[int]]:
        """The places, and the numbers of contents at which any truth would drown."""
        area = self._area
        differing = kind.placement is Placement.DIFFERING
        fields = FixedFields(
            field
            for field in kind.fields_in(area, width // 8)
            if not (mixed and differing) or field.is_mixed
        )
        if kind.placement is Placement.GIVEN or area.count < 2:
            return fields, set()
        tried = _tried(area, self._wish, width)
        expected = expect_fixed(area, fields, width // 8, width)
        # By how many different numbers a field has: with more of them chance makes fewer matches.
        # The end of several images is as likely a place as right behind the block.
        most = DROWNED if differing else DROWNED_ANYWHERE
        drowned = {level for level, made in expected.items() if tried * made > most}
        return fields.parted(drowned)[1], drowned

    def with_adjacent(
        self, fields: FixedFields, width: int, collector: Collector
    ) -> Iterator[tuple[FixedFields, bool]]:
        """The fields, and whether blocks that end right before them were searched already."""
        left_out = collector.drowned.get((Placement.AFTER_BLOCK, width), set())
        apart, searched = fields.parted(left_out)
        parts = ((searched, True), (apart, False))
        for some, skip in parts if self._wish.looks_behind else ((fields, False),):
            if len(some):
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
