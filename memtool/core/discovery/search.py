"""Runs all searches, confirms what they found, folds what follows, and puts it in order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from memtool.core.checksums.algorithms import Algorithm, list_algorithms
from memtool.core.discovery.area import Area
from memtool.core.discovery.collecting import Collector
from memtool.core.discovery.confirming import build_blocks
from memtool.core.discovery.ordering import order_blocks
from memtool.core.discovery.pieces import Wish, pieces_of
from memtool.core.discovery.places import FieldPlaces, choose_places, tell_drowned
from memtool.core.discovery.results import (
    CONVINCING,
    DiscoveredBlock,
    Discovery,
    Placement,
    SearchedPlacement,
    Standing,
)
from memtool.core.discovery.unknown_search import without_known
from memtool.core.discovery.work import Progress, do_work
from memtool.core.image import Image
from memtool.core.span import Span, intersect_spans

WIDTHS = (8, 16, 24, 32, 64)
"""Widths, in bits, that are searched: whole bytes that memories store."""
_WIDEST = max(WIDTHS)
_WORTH_WORKERS = 1 << 16
"""Of smaller images numpy works too shortly at a time: two workers wait for each other more than
they save."""
_ROOM = 1 << 21
"""Bytes of all workers' images together: each needs memory of its own."""
MOST_BLOCKS = 20
MOST_GUESSES = 0
"""Rows that chance makes are counted; who wants to see some asks for them."""


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
    workers: int = 1,
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
        workers: Threads; the answer is the same with one.
        progress: Told now and then; may raise to end the search.

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
        widths = {algorithm.width for algorithm in wish.algorithms}
        lengths = [width // 8 for width in widths if width % 8 == 0 and width <= _WIDEST]
        places = choose_places([images[number - 1] for number in numbers], spans, wish.at, lengths)
    # All areas' pieces in one list: their order is the order of the answer, whoever does them.
    pieces = [piece for area in areas for piece in pieces_of(area, places, wish, most)]
    do_work(pieces, min(workers, _most_workers(areas)), progress)
    if progress is not None:
        progress(len(pieces), len(pieces), "confirming")
    collector = Collector(most)
    for piece in pieces:
        collector.take(piece.collector)
    # Only now, with all chance counted: what a row is worth depends on everything that was tried.
    blocks, more = build_blocks(collector, most)
    known = [block for block in blocks if block.standing is not Standing.GUESS]
    unknown = without_known([block for piece in pieces for block in piece.unknown], known)
    both = sorted([*blocks, *unknown], key=lambda block: block.expected_by_chance)
    blocks, more = both[:most], more + max(0, len(both) - most)
    # After the cut to the best ones, since this order is not by worth.
    blocks = order_blocks(blocks)
    blocks, more = _cut_guesses(blocks, more, guesses)
    return Discovery(
        blocks=tuple(blocks),
        truncated=more,
        expected_by_chance=collector.chance.total,
        algorithms=tuple(algorithm.name for algorithm in wish.algorithms),
        placements=_searched(places, wish, collector),
        spans=spans,
        notes=_notes(images, numbers, blocks, collector),
    )


def _most_workers(areas: Sequence[Area]) -> int:
    """How many are worth it, and have room."""
    size = max((area.size for area in areas), default=0)
    return 1 if size < _WORTH_WORKERS else max(1, _ROOM // size)


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


def _searched(
    places: Sequence[FieldPlaces], wish: Wish, collector: Collector
) -> tuple[SearchedPlacement, ...]:
    drowned: dict[Placement, list[int]] = {}
    for placement, width in sorted(collector.drowned):
        drowned.setdefault(placement, []).append(width)
    found: list[SearchedPlacement] = []
    if wish.looks_behind:
        found.append(_anywhere(Placement.AFTER_BLOCK, drowned))
    found += [kind.searched(drowned.get(kind.placement, ())) for kind in places]
    if wish.totals and wish.at is None:
        found.append(_anywhere(Placement.INSIDE, drowned))
    return tuple(found)


def _anywhere(placement: Placement, drowned: Mapping[Placement, list[int]]) -> SearchedPlacement:
    widths = drowned.get(placement)
    left_out = tell_drowned(widths) if widths else None
    return SearchedPlacement(placement=placement, places=None, left_out=left_out)


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
            "Where a block starts is less certain than where it ends: the images hardly differ"
            " before it. An image that differs there would settle it."
        )
    return tuple(notes)


def _what_would_settle(count: int, expected: float) -> str:
    if count == 1:
        return (
            f"One image is not enough: chance alone makes about {expected:,.2g} such blocks."
            " A second image of the same layout with other content settles most of it."
        )
    return (
        "None of these can be told from chance. What would settle it: another image of the same"
        " layout whose content differs, ideally from a third module or one never configured."
    )
