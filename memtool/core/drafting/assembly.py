"""The guesses of one draft while they are being made: names, claims, and what each step adds."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from memtool.core.drafting.draft import ChecksumGuess, Confidence, RegionGuess
from memtool.core.drafting.survey import Claims, Survey
from memtool.core.drafting.words import Names
from memtool.core.layouts.layout import FieldType, RegionKind
from memtool.core.layouts.region import BlankSource, Region
from memtool.core.span import Span

Progress = Callable[[int, int, str], None]
"""Called with the pieces of work done, their number, and what is being looked for."""
_SHORTEST_TEXT = 4
"""Characters that a text keeps when a checksum is cut off behind it."""


class Assembly:
    """Collects guesses; no byte is guessed twice."""

    def __init__(self, survey: Survey, progress: Progress | None = None) -> None:
        """Begin with nothing guessed."""
        self.survey = survey
        self.progress = progress
        """Told of each piece of the search for checksums, which takes most of the time."""
        self.claims = Claims(survey)
        self.names = Names()
        self.regions: list[RegionGuess] = []
        self.checksums: list[ChecksumGuess] = []

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
        self.regions.append(guess)
        self.claims.take(span)
        return guess

    def regions_of(self, kind: RegionKind) -> list[RegionGuess]:
        """Those of one kind, by address."""
        found = [guess for guess in self.regions if guess.region.kind is kind]
        return sorted(found, key=lambda guess: guess.region.span)

    @property
    def natural_starts(self) -> frozenset[int]:
        """Addresses at which something begins: the memory, what lies behind erased bytes,
        texts, and what follows a checksum's field."""
        survey = self.survey
        starts = {span.start for span in survey.defined_spans}
        starts |= {run.end for run in survey.empty_runs}
        starts |= {run.end for run in survey.runs_of(survey.blank) if len(run) > 1}
        starts |= {guess.region.span.start for guess in self.regions}
        starts |= {guess.rule.stored.end for guess in self.checksums}
        return frozenset(starts)

    @property
    def natural_ends(self) -> frozenset[int]:
        """Addresses before which something ends: the memory, erased bytes, texts."""
        survey = self.survey
        ends = {span.end for span in survey.defined_spans}
        ends |= {run.start for run in survey.empty_runs}
        ends |= {run.start for run in survey.runs_of(survey.blank) if len(run) > 1}
        ends |= {guess.region.span.start for guess in self.regions}
        return frozenset(ends)

    def is_inside_text(self, address: int) -> bool:
        """Whether a region that was guessed holds the address and begins before it."""
        return any(
            guess.region.span.start < address < guess.region.span.end for guess in self.regions
        )

    def make_room(self, span: Span) -> bool:
        """Free a span by cutting the ends of texts off; False where more than that is there."""
        cut: list[tuple[int, RegionGuess]] = []
        for place, guess in enumerate(self.regions):
            region = guess.region
            if not region.span.overlaps(span):
                continue
            if region.kind is not RegionKind.MODULE_IDENTITY or region.span.end > span.end:
                return False
            if span.start - region.span.start < _SHORTEST_TEXT:
                return False
            short = replace(region, span=Span(region.span.start, span.start))
            cut.append((place, replace(guess, region=short)))
        for place, guess in cut:
            self.regions[place] = guess
        if cut:
            self.claims.release(span)
        return self.claims.is_free(span)
