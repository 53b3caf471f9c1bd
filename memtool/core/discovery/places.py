"""Fixed places that may hold a stored number: the images' end, bytes that differ, a span given."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from memtool.core.discovery.area import Area, FixedField
from memtool.core.discovery.results import Placement, SearchedPlacement
from memtool.core.image import Image
from memtool.core.span import Span

MOST_PLACES = 256
_LONGEST = 8
_GAP = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldPlaces:
    """One kind of fixed place, for numbers of every length."""

    placement: Placement
    by_length: dict[int, tuple[tuple[int, tuple[bytes, ...]], ...]]
    """Length of the number: (address, its bytes in each image)."""
    places: int
    """How many addresses."""
    left_out: str | None

    def fields_in(self, area: Area, length: int) -> tuple[FixedField, ...]:
        """Those places as seen from an area, without those that are erased in all images."""
        fields = (
            FixedField(address - area.base, stored)
            for address, stored in self.by_length.get(length, ())
        )
        return tuple(field for field in fields if not field.says_nothing)

    def searched(self) -> SearchedPlacement:
        """For the record."""
        return SearchedPlacement(
            placement=self.placement, places=self.places, left_out=self.left_out
        )


def choose_places(
    images: Sequence[Image], spans: Sequence[Span], at: Span | None
) -> tuple[FieldPlaces, ...]:
    """The fixed places to search.

    Args:
        images: Distinct ones.
        spans: What is searched.
        at: A span that holds the number; no other place is then searched.
    """
    if at is not None:
        return (_given(images, at),)
    if not spans:
        return ()
    return (_image_end(images, spans), _differing(images, spans))


def _image_end(images: Sequence[Image], spans: Sequence[Span]) -> FieldPlaces:
    end, last = spans[-1].end, spans[-1]
    by_length = {
        length: _read(images, [end - length], length)
        for length in range(1, _LONGEST + 1)
        if length < len(last)
    }
    return FieldPlaces(placement=Placement.IMAGE_END, by_length=by_length, places=1, left_out=None)


def _given(images: Sequence[Image], at: Span) -> FieldPlaces:
    left_out = None
    covered = all(image.covers(at) for image in images)
    if not covered:
        left_out = "Not all images define the span given."
    elif len(at) > MOST_PLACES:
        left_out = f"Only the first {MOST_PLACES} bytes of the span given were tried."
    end = min(at.end, at.start + MOST_PLACES)
    by_length = {
        length: _read(images, range(at.start, end - length + 1), length)
        for length in range(1, _LONGEST + 1)
        if covered and length <= end - at.start
    }
    return FieldPlaces(
        placement=Placement.GIVEN,
        by_length=by_length,
        places=max((len(fields) for fields in by_length.values()), default=0),
        left_out=left_out,
    )


def _differing(images: Sequence[Image], spans: Sequence[Span]) -> FieldPlaces:
    runs = _differing_runs(images, spans)
    total = sum(len(run) for run in runs)
    left_out = None
    if total > MOST_PLACES:
        runs = _without_small_gaps(runs)
        left_out = (
            f"The images differ in {total:,} bytes; up to {MOST_PLACES} places at the ends of"
            " differing runs were tried. Name others with --at."
        )
    by_length = {}
    tried: set[int] = set()
    for length in range(1, _LONGEST + 1):
        chosen = _places_on_runs(runs, length, whole=total <= MOST_PLACES)
        room = [
            address
            for address in chosen
            if any(span.start <= address and address + length <= span.end for span in spans)
            and address + length != spans[-1].end
        ]
        by_length[length] = _read(images, room[:MOST_PLACES], length)
        tried.update(room[:MOST_PLACES])
    return FieldPlaces(
        placement=Placement.DIFFERING, by_length=by_length, places=len(tried), left_out=left_out
    )


def _differing_runs(images: Sequence[Image], spans: Sequence[Span]) -> tuple[Span, ...]:
    """Runs of addresses at which not all images agree."""
    found: list[Span] = []
    for span in spans:
        first, *others = (np.frombuffer(image.read(span), np.uint8) for image in images)
        differs = np.zeros(len(span) + 2, np.int8)
        for other in others:
            differs[1:-1] |= first != other
        edges = np.flatnonzero(np.diff(differs)) + span.start
        found += [Span(int(low), int(high)) for low, high in edges.reshape(-1, 2)]
    return tuple(found)


def _without_small_gaps(runs: Sequence[Span]) -> tuple[Span, ...]:
    """Neighbouring bytes are equal by chance now and then; that is no border."""
    joined: list[Span] = []
    for run in runs:
        if joined and run.start - joined[-1].end < _GAP:
            joined[-1] = Span(joined[-1].start, run.end)
        else:
            joined.append(run)
    return tuple(joined)


def _places_on_runs(runs: Iterable[Span], length: int, *, whole: bool) -> list[int]:
    """Addresses at which a number of `length` bytes touches a differing byte, likeliest first.

    A checksum of its own is a short run, or the last bytes of a longer one; so those come
    first where not `whole` runs are tried.
    """
    likely: dict[int, None] = {}
    rest: dict[int, None] = {}
    for run in sorted(runs, key=lambda run: (len(run) > _LONGEST, run.start)):
        if len(run) <= length:
            likely.update(dict.fromkeys(range(max(0, run.end - length), run.start + 1)))
        else:
            likely[run.end - length] = None
            likely[run.start] = None
        if whole:
            rest.update(dict.fromkeys(range(max(0, run.start - length + 1), run.end)))
    return sorted(likely.keys() | rest.keys()) if whole else list(likely)


def _read(
    images: Sequence[Image], addresses: Iterable[int], length: int
) -> tuple[tuple[int, tuple[bytes, ...]], ...]:
    return tuple(
        (address, tuple(image.read(Span(address, address + length)) for image in images))
        for address in addresses
    )
