"""What the maker's procedure wrote outside stores of records: by regions, and what none explains.

1. A byte was written where the finished module holds another one than the file to program.
2. What a region of the layout covers is told by that region; protected ones by count alone.
3. What is left lies in runs. Runs a few bytes apart are one where all between is as in the
   original: equal bytes in both cut a value into pieces.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from memtool.core.checksums.checksum import check_checksum
from memtool.core.finding import Verdict
from memtool.core.image import Image
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import Region, RegionKind
from memtool.core.learning.learned import (
    MovedChecksums,
    Warned,
    WarningCode,
    WrittenPlace,
)
from memtool.core.runs import find_changes
from memtool.core.span import Span, count_addresses, intersect_spans, subtract_spans, union_spans

PROCEDURE_KINDS = frozenset(
    {
        RegionKind.VEHICLE_IDENTITY,
        RegionKind.CONFIGURATION,
        RegionKind.STATE,
        RegionKind.CHECKSUM,
    }
)
"""Kinds that the procedure is expected to write."""
_GAP = 4
"""Equal bytes between two runs of one value."""


class FlatWriting:
    """The flat part of one memory: all that its stores of records do not hold."""

    def __init__(
        self,
        layout: Layout,
        *,
        before: Image,
        blanked: Image,
        finished: Image,
        original: Image | None,
        hidden: Sequence[Span],
    ) -> None:
        """Keep the images; `hidden` is what any layout of the job protects."""
        self._layout = layout
        self._images = before, blanked, finished
        self._original = original
        self._unlike = find_changes(original, finished) if original else ()
        stores = [rules.span for rules in layout.records]
        self._hidden = union_spans(hidden)
        changed = find_changes(blanked, finished)
        self.changed = subtract_spans(changed, stores)
        self._visible = subtract_spans(self.changed, self._hidden)
        self._blanked = subtract_spans(find_changes(before, blanked), stores)

    def written(self) -> Iterator[WrittenPlace]:
        """Each region that the procedure wrote into, checksums' fields apart."""
        for region in self._layout.regions:
            if region.kind is RegionKind.CHECKSUM:
                continue
            yield from self._place(region, intersect_spans(self.changed, [region.span]))

    def _place(self, region: Region, spans: tuple[Span, ...]) -> Iterator[WrittenPlace]:
        if not spans:
            return
        # What any layout of the job protects is secret, whatever this one calls it.
        secret = region.kind is RegionKind.PROTECTED or intersect_spans(spans, self._hidden)
        yield WrittenPlace(
            name=region.name,
            kind=RegionKind.PROTECTED if secret else region.kind,
            spans=spans,
            count=count_addresses(spans),
            as_original=None if secret else self._as_original(spans),
        )

    def unexplained(self) -> tuple[WrittenPlace, ...]:
        """Runs of bytes that no region covers; those of other layouts' protected regions too."""
        regions = [region.span for region in self._layout.regions]
        secret = subtract_spans(intersect_spans(self.changed, self._hidden), regions)
        found = [
            WrittenPlace(
                name=None,
                kind=RegionKind.PROTECTED,
                spans=(span,),
                count=len(span),
                as_original=None,
            )
            for span in secret
        ]
        runs = self._joined(subtract_spans(self._visible, regions))
        found += [self._told(None, None, (span,)) for span in runs]
        return tuple(sorted(found, key=lambda place: place.spans))

    def _joined(self, runs: Sequence[Span]) -> list[Span]:
        """Rule 3."""
        taken = union_spans([*(region.span for region in self._layout.regions), *self._hidden])
        joined: list[Span] = []
        for run in runs:
            last = joined[-1] if joined else None
            if last is not None and run.start - last.end <= _GAP and self._original is not None:
                whole, gap = Span(last.start, run.end), Span(last.end, run.start)
                if not intersect_spans([gap], taken) and self._is_original(whole):
                    joined[-1] = whole
                    continue
            joined.append(run)
        return joined

    def checksums(self) -> Iterator[MovedChecksums]:
        """Each flat checksum whose field changed."""
        for rule in self._layout.checksums:
            if not intersect_spans(self.changed, [rule.stored]):
                continue
            holds = check_checksum(self._images[2], rule).result is Verdict.PASS
            yield MovedChecksums(
                name=rule.name, is_store=False, count=1, holding=int(holds), spans=(rule.stored,)
            )

    def still_blank(self) -> Iterator[WrittenPlace]:
        """Each region of which something was blanked and nothing of that was written again."""
        for region in self._layout.regions:
            edited = intersect_spans(self._blanked, [region.span])
            if region.kind is RegionKind.CHECKSUM or not edited:
                continue
            if not intersect_spans(edited, self.changed):
                yield self._told(region.name, region.kind, edited)
        outside = subtract_spans(self._blanked, (region.span for region in self._layout.regions))
        for span in subtract_spans(outside, self._hidden):
            if not intersect_spans([span], self.changed):
                yield self._told(None, None, (span,))

    def came_back(self) -> Iterator[WrittenPlace]:
        """Each region that was blanked and holds again what the donor held."""
        before, _, finished = self._images
        for region in self._layout.regions:
            edited = intersect_spans(self._blanked, [region.span])
            if region.kind is RegionKind.CHECKSUM or not edited:
                continue
            if all(finished.read(span) == before.read(span) for span in edited):
                yield self._told(region.name, region.kind, edited)

    def warnings(self, written: Sequence[WrittenPlace], kept: Sequence[Span]) -> Iterator[Warned]:
        """What the layout blanks for nothing, and what it keeps and the procedure writes."""
        for place in self.still_blank():
            if place.kind is not RegionKind.VEHICLE_IDENTITY:
                yield Warned(code=WarningCode.STILL_BLANK, place=place)
        for place in self.came_back():
            if place.kind is not RegionKind.STATE:
                yield Warned(code=WarningCode.CAME_BACK, place=place)
        for place in written:
            if place.kind not in PROCEDURE_KINDS or intersect_spans(place.spans, kept):
                yield Warned(code=WarningCode.REWRITTEN, place=place)

    def _told(
        self, name: str | None, kind: RegionKind | None, spans: tuple[Span, ...]
    ) -> WrittenPlace:
        return WrittenPlace(
            name=name,
            kind=kind,
            spans=spans,
            count=count_addresses(spans),
            as_original=self._as_original(spans),
        )

    def _as_original(self, spans: Sequence[Span]) -> int | None:
        """How many of these bytes the original holds as well."""
        original = self._original
        if original is None or not all(original.covers(span) for span in spans):
            return None
        return count_addresses(spans) - count_addresses(intersect_spans(spans, self._unlike))

    def _is_original(self, span: Span) -> bool:
        return self._as_original((span,)) == len(span)
