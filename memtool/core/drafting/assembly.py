"""The guesses of one draft while they are being made: names, claims, and what each step adds."""

from __future__ import annotations

from bisect import bisect_left, bisect_right, insort
from collections.abc import Callable, Sequence
from dataclasses import replace

from memtool.core.drafting.draft import ChecksumGuess, Confidence, RegionGuess, span_of
from memtool.core.drafting.names import Names
from memtool.core.drafting.survey import Claims, Survey
from memtool.core.layouts.layout import FieldType, RegionKind
from memtool.core.layouts.region import BlankSource, Region
from memtool.core.span import Span

Progress = Callable[[int, int, str], None]
"""Called with the pieces of work done, their number, and what is being looked for."""
_Borders = tuple[frozenset[int], frozenset[int]]
_SHORTEST_TEXT = 4
"""Characters that a text keeps when a checksum is cut off behind it."""


class Assembly:
    """Collects guesses; no byte is guessed twice."""

    def __init__(self, survey: Survey, progress: Progress | None = None, workers: int = 1) -> None:
        """Begin with nothing guessed."""
        self.survey = survey
        self.workers = workers
        """How many search for checksums at once."""
        self.progress = progress
        """Told of each piece of the search for checksums, which takes most of the time."""
        self.claims = Claims(survey)
        self.names = Names()
        self.regions: list[RegionGuess] = []
        """By address. No two share a byte, so their ends ascend as well."""
        self.checksums: list[ChecksumGuess] = []
        self.stores: list[Span] = []
        """Where stores of records lie; nothing else is looked for there."""
        self._borders_then: tuple[tuple[int, int], _Borders] | None = None
        self._sorted_then: tuple[_Borders, tuple[list[int], list[int]]] | None = None

    def add(
        self,
        name: str,
        span: Span,
        kind: RegionKind,
        *,
        evidence: Sequence[str],
        confidence: Confidence,
        type_: FieldType | None = None,
        stored_as: str = "plain",
        copy_of: str | None = None,
        blank_to: BlankSource | bytes | None = None,
        at: bool = True,
    ) -> RegionGuess:
        """Take a span that is free.

        Args:
            at: Put the address behind the name.
        """
        region = Region(
            name=self.names.of(name, span.start if at else None),
            span=span,
            kind=kind,
            type=type_,
            stored_as=stored_as,
            copy_of=copy_of,
            blank_to=blank_to,
        )
        guess = RegionGuess(region=region, evidence=tuple(evidence), confidence=confidence)
        insort(self.regions, guess, key=span_of)
        self.claims.take(span)
        return guess

    def regions_of(self, kind: RegionKind) -> list[RegionGuess]:
        """Those of one kind, by address."""
        return [guess for guess in self.regions if guess.region.kind is kind]

    def regions_over(self, span: Span) -> list[RegionGuess]:
        """Those that share an address with a span, by address."""
        return self.regions[self._numbers_over(span)]

    def _numbers_over(self, span: Span) -> slice:
        # Of a text in small pieces there are thousands, and many ask.
        first = bisect_right(self.regions, span.start, key=lambda guess: guess.region.span.end)
        end = bisect_left(self.regions, span.end, key=lambda guess: guess.region.span.start)
        return slice(first, end)

    @property
    def natural_starts(self) -> frozenset[int]:
        """Addresses at which something begins: the memory, what lies behind erased bytes,
        texts, and what follows a checksum's field."""
        return self._borders[0]

    @property
    def natural_ends(self) -> frozenset[int]:
        """Addresses before which something ends: the memory, erased bytes, texts."""
        return self._borders[1]

    def next_end(self, start: int) -> int | None:
        """The first natural end behind an address."""
        ends = self._sorted_borders[1]
        place = bisect_right(ends, start)
        return ends[place] if place < len(ends) else None

    def starts_in(self, span: Span) -> Sequence[int]:
        """The natural starts of a span."""
        starts = self._sorted_borders[0]
        return starts[bisect_left(starts, span.start) : bisect_left(starts, span.end)]

    @property
    def _sorted_borders(self) -> tuple[list[int], list[int]]:
        borders = self._borders
        # `is`: `_borders` gives the same object until something new was guessed.
        if self._sorted_then is None or self._sorted_then[0] is not borders:
            self._sorted_then = borders, (sorted(borders[0]), sorted(borders[1]))
        return self._sorted_then[1]

    @property
    def _borders(self) -> _Borders:
        """Natural starts and ends; made anew when something was guessed since.

        A region that gives way keeps its start, so the numbers of guesses tell.
        """
        guessed = len(self.regions), len(self.checksums)
        if self._borders_then is None or self._borders_then[0] != guessed:
            starts, ends = self.survey.borders
            begun = {guess.region.span.start for guess in self.regions}
            behind = {guess.rule.stored.end for guess in self.checksums}
            # Where a region begins, what lies before it ends.
            self._borders_then = guessed, (starts | begun | behind, ends | begun)
        return self._borders_then[1]

    def is_inside_text(self, address: int) -> bool:
        """Whether a region that was guessed holds the address and begins before it."""
        here = Span(address, address + 1)
        return any(guess.region.span.start < address for guess in self.regions_over(here))

    def make_room(self, span: Span) -> bool:
        """Free a span by cutting the ends of texts off; False where more than that is there."""
        # Nothing is changed before every region in the way is known to give way.
        numbers = self._numbers_over(span)
        cut: list[RegionGuess] = []
        for guess in self.regions[numbers]:
            region = guess.region
            if region.kind is not RegionKind.MODULE_IDENTITY or region.span.end > span.end:
                return False
            if span.start - region.span.start < _SHORTEST_TEXT:
                return False
            short = region._replace(span=Span(region.span.start, span.start))
            cut.append(replace(guess, region=short))
        if cut:
            self.regions[numbers] = cut
            self.claims.release(span)
        return self.claims.is_free(span)
