"""Runs all searches, confirms what they found, folds what follows, and puts it in order."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from memtool.core.checksums.algorithms import Algorithm, Ending, Family, list_algorithms
from memtool.core.discovery.area import Area
from memtool.core.discovery.collecting import Collector
from memtool.core.discovery.confirming import build_blocks, order_blocks
from memtool.core.discovery.crc_search import search_after_block, search_fixed_fields
from memtool.core.discovery.crc_sides import CrcGroup, CrcSides, group_crcs
from memtool.core.discovery.places import FieldPlaces, choose_places
from memtool.core.discovery.results import (
    CONVINCING,
    DiscoveredBlock,
    Discovery,
    Placement,
    SearchedPlacement,
    Standing,
)
from memtool.core.discovery.sum_search import search_sums_after_block, search_sums_fixed_fields
from memtool.core.discovery.sum_sides import SumFamily, SumSides, group_sums
from memtool.core.discovery.total_search import search_totals, search_totals_of_fields
from memtool.core.discovery.unknown_search import UnknownSearch
from memtool.core.image import Image
from memtool.core.span import Span, intersect_spans

WIDTHS = (8, 16, 24, 32, 64)
"""Widths, in bits, that are searched: whole bytes that memories store."""
MOST_BLOCKS = 20
MOST_GUESSES = 5

Progress = Callable[[int, int, str], None]
"""Called with the pieces of work done, their number, and what is being looked for."""


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


def searched_algorithms() -> tuple[Algorithm, ...]:
    """All that a full search tries: CRCs of whole bytes, sums, XOR, Fletcher, Adler."""
    return tuple(algorithm for algorithm in list_algorithms() if _is_searched(algorithm))


def _is_searched(algorithm: Algorithm) -> bool:
    crc = algorithm.crc
    return algorithm.width in WIDTHS and (crc is None or crc.refin == crc.refout)


def discover_checksums(
    images: Sequence[Image],
    *,
    wish: Wish | None = None,
    most: int = MOST_BLOCKS,
    guesses: int = MOST_GUESSES,
    progress: Progress | None = None,
) -> Discovery:
    """Find the blocks, of any length, whose checksum is stored in all of `images`.

    The images are of one layout; what not all of them define is left out, and a block
    never spans a gap.

    Args:
        images: At least one. The same content given twice counts once.
        wish: None: everything.
        most: Blocks to return.
        guesses: Blocks to return of those that chance makes at least one of in such a search.
        progress: Told after each piece of work; may raise to end the search.

    Raises:
        ValueError: no image, or `most` below 1.
    """
    if not images or most < 1:
        raise ValueError("at least one image and one block are needed")
    wish = wish or Wish(algorithms=searched_algorithms())
    spans = _common_spans(images, wish.within)
    numbers = _distinct_numbers(images, spans)
    areas = [
        Area(span.start, [images[number - 1].read(span) for number in numbers], numbers)
        for span in spans
    ]
    places: tuple[FieldPlaces, ...] = ()
    if wish.fixed_places or wish.at is not None:
        places = choose_places([images[number - 1] for number in numbers], spans, wish.at)
    collector = Collector(most)
    work = [piece for area in areas for piece in _pieces(area, places, wish, collector)]
    for done, (text, run) in enumerate(work):
        for _ in run:
            if progress is not None:
                progress(done, len(work), text)
    if progress is not None:
        progress(len(work), len(work), "confirming")
    blocks, more = build_blocks(collector, most)
    if wish.unknown_constants and wish.at is None:
        blocks, more = _with_unknown(areas, blocks, more, wish, most, progress)
    blocks = order_blocks(blocks)
    blocks, more = _cut_guesses(blocks, more, guesses)
    return Discovery(
        blocks=tuple(blocks),
        truncated=more,
        expected_by_chance=collector.chance.total,
        algorithms=tuple(algorithm.name for algorithm in wish.algorithms),
        placements=_searched(places, wish),
        spans=spans,
        notes=_notes(images, numbers, blocks, collector),
    )


def _with_unknown(
    areas: Sequence[Area],
    blocks: list[DiscoveredBlock],
    more: int,
    wish: Wish,
    most: int,
    progress: Progress | None,
) -> tuple[list[DiscoveredBlock], int]:
    """The blocks with those of unknown constants among them."""
    found: list[DiscoveredBlock] = []
    known = [block for block in blocks if block.standing is not Standing.GUESS]
    for number, area in enumerate(areas):
        search = UnknownSearch(area, group_crcs(wish.algorithms), word_swapped=wish.word_swapped)
        for _ in search.run(known):
            if progress is not None:
                progress(number, len(areas), "unknown constants")
        found += search.blocks
    both = sorted([*blocks, *found], key=lambda block: block.expected_by_chance)
    return both[:most], more + max(0, len(both) - most)


def _common_spans(images: Sequence[Image], within: Span | None) -> tuple[Span, ...]:
    spans: tuple[Span, ...] = images[0].spans
    for image in images[1:]:
        spans = intersect_spans(spans, image.spans)
    if within is not None:
        spans = intersect_spans(spans, [within])
    return tuple(span for span in spans if len(span) > 1)


def _distinct_numbers(images: Sequence[Image], spans: Sequence[Span]) -> tuple[int, ...]:
    """Numbers of the images, from 1, that differ in what is searched."""
    seen: dict[tuple[bytes, ...], int] = {}
    for number, image in enumerate(images, 1):
        seen.setdefault(tuple(image.read(span) for span in spans), number)
    return tuple(seen.values())


def _pieces(
    area: Area, places: Sequence[FieldPlaces], wish: Wish, collector: Collector
) -> Iterator[tuple[str, Iterator[None]]]:
    """All searches of one area, none started yet."""
    for group in group_crcs(wish.algorithms):
        yield f"CRC-{group.width}", _crc_pieces(group, area, places, wish, collector)
    for family in group_sums(wish.algorithms):
        yield (
            f"{family.family}-{family.width}".upper(),
            _sum_pieces(family, area, places, wish, collector),
        )


def _crc_pieces(
    group: CrcGroup, area: Area, places: Sequence[FieldPlaces], wish: Wish, collector: Collector
) -> Iterator[None]:
    sides = CrcSides(group, area)
    yield
    after = wish.after_block and wish.at is None
    if after:
        yield from search_after_block(sides, collector, word_swapped=wish.word_swapped)
    for kind in places:
        yield from search_fixed_fields(
            sides,
            kind.fields_in(area, group.length),
            kind.placement,
            collector,
            word_swapped=wish.word_swapped,
            skip_adjacent=after,
        )


def _sum_pieces(
    family: SumFamily, area: Area, places: Sequence[FieldPlaces], wish: Wish, collector: Collector
) -> Iterator[None]:
    sides = SumSides(family, area)
    after = wish.after_block and wish.at is None
    # What sums are worth in these images is measured there, even where nothing is looked for.
    heard = collector if after else Collector(0)
    yield from search_sums_after_block(sides, heard, word_swapped=wish.word_swapped)
    for kind in places:
        yield from search_sums_fixed_fields(
            sides,
            kind.fields_in(area, family.length),
            kind.placement,
            collector,
            word_swapped=wish.word_swapped,
            skip_adjacent=after,
        )
    if wish.totals:
        for algorithm in _totals(family, wish):
            if wish.at is None:
                yield from search_totals(sides, algorithm, collector)
            for kind in places:
                yield from search_totals_of_fields(
                    sides,
                    algorithm,
                    kind.fields_in(area, family.length),
                    kind.placement,
                    collector,
                    word_swapped=wish.word_swapped,
                )


def _totals(family: SumFamily, wish: Wish) -> list[Algorithm]:
    """The ``/TOTAL`` algorithm of a family; XOR, which has none, itself."""
    return [
        algorithm
        for algorithm in wish.algorithms
        if (algorithm.ending is Ending.TOTAL or algorithm.family is Family.XOR)
        and (algorithm.family, algorithm.width) == (family.family, family.width)
        and algorithm.word_order in (None, family.word_order)
    ]


def _searched(places: Sequence[FieldPlaces], wish: Wish) -> tuple[SearchedPlacement, ...]:
    found: list[SearchedPlacement] = []
    if wish.after_block and wish.at is None:
        found.append(SearchedPlacement(placement=Placement.AFTER_BLOCK, places=None, left_out=None))
    found += [kind.searched() for kind in places]
    if wish.totals and wish.at is None:
        found.append(SearchedPlacement(placement=Placement.INSIDE, places=None, left_out=None))
    return tuple(found)


def _cut_guesses(
    blocks: Sequence[DiscoveredBlock], more: int, guesses: int
) -> tuple[list[DiscoveredBlock], int]:
    """Of what chance makes at least once in each search, a few are enough."""
    firm = [block for block in blocks if block.expected_by_chance < 1]
    loose = [block for block in blocks if block.expected_by_chance >= 1]
    return [*firm, *loose[:guesses]], more + len(loose[guesses:])


def _notes(
    images: Sequence[Image],
    numbers: Sequence[int],
    blocks: Sequence[DiscoveredBlock],
    collector: Collector,
) -> tuple[str, ...]:
    notes: list[str] = []
    if len(numbers) < len(images):
        notes.append(
            f"Of {len(images)} images only {len(numbers)} differ in what was searched;"
            " the same content proves nothing twice."
        )
    convincing = any(block.standing is Standing.CONVINCING for block in blocks)
    if not convincing:
        notes.append(_what_would_settle(len(numbers), collector.chance.total))
    if any(
        block.standing is Standing.CONVINCING and block.start_expected_by_chance >= CONVINCING
        for block in blocks
    ):
        notes.append(
            "Where a block starts is less sure than where it ends: the images hardly differ"
            " before it. An image that differs there settles it."
        )
    return tuple(notes)


def _what_would_settle(count: int, expected: float) -> str:
    if count == 1:
        return (
            f"One image is not enough: chance alone makes about {expected:,.2g} such blocks."
            " A second image of the same layout with other content settles most of it."
        )
    return (
        "Nothing here is beyond chance. What would settle it: another image of the same"
        " layout whose content differs, best of a third module or of one never configured."
    )
