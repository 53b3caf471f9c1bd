"""Checksums of a draft: found by discovery, kept where the structure speaks for them too.

Discovery says how many blocks with as much evidence chance makes; `naturalness` says how
many of those begin and end as naturally. A reading with `MOST_EXPECTED` or more of these is
left out; of readings of one field the one with the fewest is kept. What was taken makes
further starts natural, so the rest is asked again.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from memtool.core.checksums.algorithms import get_algorithm
from memtool.core.checksums.checksum import (
    ChecksumCycleError,
    ChecksumRule,
    WhenBlanked,
    check_checksum,
    find_rule_faults,
    refresh_order,
)
from memtool.core.discovery import (
    CONVINCING,
    DiscoveredBlock,
    Placement,
    Wish,
    discover_checksums,
    searched_algorithms,
)
from memtool.core.drafting.assembly import Assembly
from memtool.core.drafting.draft import ChecksumGuess, Confidence, ModuleReads
from memtool.core.drafting.naturalness import expect_anywhere, expect_naturally
from memtool.core.finding import Verdict
from memtool.core.image import Image
from memtool.core.span import Span, format_span, format_span_with_length, subtract_spans
from memtool.core.words import listed

MOST_EXPECTED = 0.05
MOST_EXPECTED_OF_SHORT_CRCS = 0.02
"""For those of 8 bits: real memories hold sums of 8 bits, and one of 200 families of real ones
had such a CRC by chance, just below the other limit."""
MOST_ANYWHERE = 5.0
"""Chance matches in the whole search from which on no beginning and end is natural enough."""
MOST_CONSIDERED = 300
_MOST_ROUNDS = 4
_SHORTEST_BLOCK = 4
_SUM = re.compile(r"SUM-(?P<width>16|32)(?P<ending>/ONES|/TWOS)?")
_MOST_PLACES_APART = 12
"""Short differing runs that may be a field apart from its block and are asked about."""
_ROOM = 1 << 20
"""Bytes that all workers search together: what is known of the images takes memory as well."""


@dataclass(frozen=True, slots=True)
class _Reading:
    """One way to understand a discovered block."""

    rule: ChecksumRule
    natural: float
    """Chance matches among blocks as natural as this one; see the module."""
    expected: float
    """Chance matches in the whole search."""
    images: int


@dataclass(frozen=True, slots=True)
class _Candidate:
    """A block that discovery found, and the images that it was found in."""

    block: DiscoveredBlock
    images: tuple[Image, ...]


def add_checksums(assembly: Assembly) -> None:
    """Search all images, then the configured ones alone: blank modules may lack checksums."""
    wish = _wish()
    survey = assembly.survey
    candidates = _search(assembly, wish, (*survey.configured, *survey.references))
    if survey.references:
        # A block that is found in both searches is one reading twice: the second one finds its
        # field taken.
        candidates += _search(assembly, wish, survey.configured)
    _take_best(assembly, candidates, MOST_EXPECTED)


def add_checksums_apart(assembly: Assembly) -> None:
    """Ask of short runs that stand alone whether they guard a block elsewhere."""
    survey = assembly.survey
    varying = survey.varies & ~survey.ticks
    alone = [
        span
        for span in assembly.claims.chunks()
        if len(span) == 4 or (len(span) in (1, 2) and varying[survey.slice_of(span)].any())
    ]
    # Each place is a search of its own: many of them find a match by chance alone.
    if len(alone) > _MOST_PLACES_APART:
        return
    candidates = []
    for span in alone:
        found = _search(assembly, _wish(at=span), survey.configured)
        candidates += [each for each in found if each.block.field == span]
    # Each place is another chance to be wrong, so each gets a part of the limit.
    _take_best(assembly, candidates, MOST_EXPECTED / _MOST_PLACES_APART)


def _wish(at: Span | None = None) -> Wish:
    """What a layout can say: catalogued algorithms, the field right behind or at `at`."""
    return Wish(
        algorithms=searched_algorithms(),
        fixed_places=False,
        totals=False,
        word_swapped=False,
        unknown_constants=False,
        at=at,
    )


def _search(assembly: Assembly, wish: Wish, modules: Sequence[ModuleReads]) -> list[_Candidate]:
    spans = subtract_spans(assembly.survey.defined_spans, assembly.stores)
    if not spans:
        return []
    images = _distinct(modules, spans)
    if assembly.stores:
        images = [image.select(spans) for image in images]
    discovery = discover_checksums(
        images,
        wish=wish,
        most=MOST_CONSIDERED,
        guesses=MOST_CONSIDERED,
        workers=min(assembly.workers, max(1, _ROOM // sum(map(len, spans)))),
        progress=assembly.progress,
    )
    return [_Candidate(block, tuple(images)) for block in discovery.blocks]


def _take_best(assembly: Assembly, candidates: list[_Candidate], limit: float) -> None:
    """Take the best reading of each candidate; what was taken makes further starts natural."""
    # A field that was taken ends one thing and begins the next, so each round knows more.
    for _ in range(_MOST_ROUNDS):
        readings = []
        for candidate in candidates:
            found = min(
                _readings_of(assembly, candidate), key=lambda each: each.natural, default=None
            )
            if found is not None and found.natural < min(limit, _limit_of(found.rule)):
                readings.append(found)
        readings.sort(key=lambda each: (each.natural, each.expected))
        before = len(assembly.checksums)
        for reading in readings:
            _take(assembly, reading)
        if len(assembly.checksums) == before:
            return


def _limit_of(rule: ChecksumRule) -> float:
    short = len(rule.stored) == 1 and rule.algorithm.startswith("CRC")
    return MOST_EXPECTED_OF_SHORT_CRCS if short else MOST_EXPECTED


def _distinct(modules: Sequence[ModuleReads], spans: Sequence[Span]) -> list[Image]:
    """One image of each content."""
    found: dict[bytes, Image] = {}
    for module in modules:
        for image in module.reads:
            found.setdefault(b"".join(image.read(span) for span in spans), image)
    return list(found.values())


def _readings_of(assembly: Assembly, candidate: _Candidate) -> Iterator[_Reading]:
    """The block itself, and its other starts that the structure favours."""
    block, images = candidate.block, candidate.images
    if block.field is None or block.unknown is not None or block.word_swapped:
        return
    if block.placement is Placement.INSIDE:
        return
    # Discovery named one start of many that mean the same. Here structure is known that it did not
    # have.
    starts = {(block.algorithm, block.block.start)}
    for other in block.equivalents:
        if other.word_swapped or other.total is not None or other.byte_order != block.byte_order:
            continue
        # A field right behind its block: another end would be another field.
        if not any(block.block.end in span for span in other.ends):
            continue
        for span in other.starts:
            starts.update((other.algorithm, start) for start in assembly.starts_in(span))
    for algorithm, start in sorted(starts):
        if block.block.end - start < _SHORTEST_BLOCK:
            continue
        for name, field in _widths(algorithm, block.field, block.byte_order or "big"):
            rule = ChecksumRule(
                name="draft",
                algorithm=name,
                covers=(Span(start, block.block.end),),
                stored=field,
                byte_order=block.byte_order or "big",
                when_blanked=WhenBlanked.REFRESH,
            )
            if find_rule_faults(rule) or not _holds_in_all(rule, images):
                continue
            if len(images) > 1 and not _varies(assembly, rule):
                # One content says nothing new in a second module: chance alone made too many
                # of these, in tables and in code.
                continue
            # Back from bits to different numbers: a narrower sum gets its own bits from them.
            contents = block.bits / get_algorithm(block.algorithm).width
            natural = expect_naturally(assembly, rule, contents)
            if natural is not None:
                expected = max(block.expected_by_chance, expect_anywhere(assembly, rule, contents))
                if expected < MOST_ANYWHERE:
                    yield _Reading(rule, natural, expected, len(images))


def _widths(algorithm: str, field: Span, order: str) -> Iterator[tuple[str, Span]]:
    """The algorithm itself, and for a sum of bytes the narrower ones in its low bytes."""
    yield algorithm, field
    found = _SUM.fullmatch(algorithm)
    if found is None:
        return
    for width in (8, 16):
        length = width // 8
        if length < len(field):
            start = field.start if order == "little" else field.end - length
            yield f"SUM-{width}{found['ending'] or ''}", Span(start, start + length)


def _varies(assembly: Assembly, rule: ChecksumRule) -> bool:
    survey = assembly.survey
    return bool(survey.varies_at_all[survey.slice_of(rule.covers[0])].any())


def _holds_in_all(rule: ChecksumRule, images: Sequence[Image]) -> bool:
    return all(check_checksum(image, rule).result is Verdict.PASS for image in images)


def _take(assembly: Assembly, reading: _Reading) -> None:
    """Add a reading unless a better one has its field, or it cuts through another's field."""
    rule = reading.rule
    for guess in assembly.checksums:
        other = guess.rule
        # Readings come best first: whoever is here already is the better one.
        if rule.stored.overlaps(other.stored):
            return
        if _cuts(rule.covers, other.stored) or _cuts(other.covers, rule.stored):
            return
    # Two checksums that cover each other can never be computed again in any order.
    try:
        refresh_order([*(guess.rule for guess in assembly.checksums), rule])
    except ChecksumCycleError:
        return
    if not assembly.make_room(rule.stored):
        return
    when, sentence = _when_blanked(assembly, rule)
    assembly.claims.take(rule.stored)
    named = rule._replace(
        name=assembly.names.of(f"checksum of {format_span(rule.covers[0])}"),
        when_blanked=when,
    )
    assembly.checksums.append(
        ChecksumGuess(
            rule=named,
            evidence=(_evidence(reading), sentence),
            confidence=_confidence(reading),
            expected_by_chance=reading.expected,
        )
    )


def _cuts(covers: Sequence[Span], field: Span) -> bool:
    """Whether a block covers a part of a field only."""
    return any(span.overlaps(field) and not span.contains(field) for span in covers)


def _when_blanked(assembly: Assembly, rule: ChecksumRule) -> tuple[WhenBlanked, str]:
    """What never-configured modules show of the field."""
    references = assembly.survey.references
    if not references:
        return WhenBlanked.REFRESH, "It is recomputed when something that it covers is blanked."
    image = references[0].reads[0]
    if check_checksum(image, rule).result is Verdict.PASS:
        return WhenBlanked.REFRESH, "It is right in the reference too, so it is recomputed."
    held = image.read(rule.stored)
    # Recomputed over a blank block it would hold a number where a blank module has none.
    if held == bytes([assembly.survey.erased]) * len(held):
        return WhenBlanked.ERASE, "The reference has it erased, so it is erased with its block."
    return WhenBlanked.REFERENCE, "It is wrong in the reference; its bytes are copied from there."


def _evidence(reading: _Reading) -> str:
    rule = reading.rule
    images = "the one image" if reading.images == 1 else f"all {reading.images} different images"
    return (
        f"{rule.algorithm} over {format_span_with_length(rule.covers[0])} holds in {images};"
        f" chance alone makes {_number(reading.expected)} such blocks in the whole search,"
        f" and {_number(reading.natural)} that begin and end as naturally."
    )


def tell_nesting(assembly: Assembly) -> None:
    """Say of each checksum which others it covers, once all are known."""
    told = []
    for guess in assembly.checksums:
        inner = [
            other.rule.name
            for other in assembly.checksums
            if other is not guess
            and any(span.contains(other.rule.stored) for span in guess.rule.covers)
        ]
        if inner:
            sentence = f"It covers the field of {listed(inner)} and is computed after it."
            guess = replace(guess, evidence=(*guess.evidence, sentence))
        told.append(guess)
    assembly.checksums[:] = told


def _number(expected: float) -> str:
    return "fewer than 1e-09" if expected < 1e-9 else f"{expected:.2g}"


def _confidence(reading: _Reading) -> Confidence:
    if reading.expected < CONVINCING and reading.natural < CONVINCING:
        return Confidence.NEARLY_CERTAIN
    return Confidence.LIKELY if reading.natural < CONVINCING / 10 else Confidence.POSSIBLE
