"""Fixed places that may hold a stored number: the images' end, bytes that differ, a span given."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING

import numpy as np

from memtool.core.discovery.area import Area
from memtool.core.discovery.fixed_fields import FixedField
from memtool.core.discovery.results import Placement, SearchedPlacement
from memtool.core.image import Image
from memtool.core.runs import edges_of_mask, without_small_gaps
from memtool.core.span import Span

if TYPE_CHECKING:
    from memtool.core.runs import Edges

MOST_PLACES = 256
_GAP = 2
"""Neighbouring bytes that are equal in all images make no border if they are fewer."""
_WORK = 1 << 15
_WORK_OF_TWO = 1 << 20
_WORK_OF_FEW = 1 << 16
"""Of more images those numbers of which only two differ are the less likely ones."""
_FEWEST_PLACES = 2
_FEW = 64
"""Where no more bytes than these differ, a number may be any of them."""


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
            FixedField.of(address - area.base, stored)
            for address, stored in self.by_length.get(length, ())
        )
        return tuple(field for field in fields if not field.says_nothing)

    def searched(self, drowned: Sequence[int] = ()) -> SearchedPlacement:
        """For the record; `drowned` are widths at which chance would drown any truth."""
        said = [] if self.left_out is None else [self.left_out]
        if drowned:
            said.append(tell_drowned(drowned))
        return SearchedPlacement(
            placement=self.placement, places=self.places, left_out=" ".join(said) or None
        )


def tell_drowned(widths: Sequence[int]) -> str:
    """Why numbers of some widths were not searched for at a place."""
    return (
        f"Numbers of {' and '.join(str(width) for width in widths)} bits that differ in few images"
        " were not searched for there: so many would fit by chance that a true one could not be"
        " told apart. --at and --within search less, and leave less to chance."
    )


def choose_places(
    images: Sequence[Image], spans: Sequence[Span], at: Span | None, lengths: Iterable[int]
) -> tuple[FieldPlaces, ...]:
    """The fixed places to search.

    Args:
        images: Distinct ones.
        spans: What is searched.
        at: A span that holds the number; no other place is then searched.
        lengths: Bytes of the numbers that are looked for.
    """
    lengths = sorted(lengths)
    if at is not None:
        return (_given(images, at, lengths),)
    if not spans:
        return ()
    contents = _Contents(images, spans)
    return (_image_end(spans[-1], lengths, contents), _differing(images, spans, lengths, contents))


class _Contents:
    """Some spans of images, to be read in many places."""

    def __init__(self, images: Sequence[Image], spans: Sequence[Span]) -> None:
        self._starts = [span.start for span in spans]
        self._contents = [[image.read(span) for image in images] for span in spans]

    def read(self, address: int, length: int) -> tuple[bytes, ...] | None:
        """The bytes of each image; None where no span has room for them."""
        turn = bisect_right(self._starts, address) - 1
        if turn < 0:
            return None
        first = address - self._starts[turn]
        contents = self._contents[turn]
        if first + length > len(contents[0]):
            return None
        return tuple([content[first : first + length] for content in contents])

    def each(
        self, addresses: Iterable[int], length: int
    ) -> Iterator[tuple[int, tuple[bytes, ...]]]:
        """The places with room for a number, each with its bytes in each image."""
        for address in addresses:
            stored = self.read(address, length)
            if stored is not None:
                yield address, stored


def _image_end(last: Span, lengths: Sequence[int], contents: _Contents) -> FieldPlaces:
    by_length = {
        length: tuple(contents.each([last.end - length], length))
        for length in lengths
        # A block has at least one byte before its number.
        if length < len(last)
    }
    return FieldPlaces(placement=Placement.IMAGE_END, by_length=by_length, places=1, left_out=None)


def _given(images: Sequence[Image], at: Span, lengths: Sequence[int]) -> FieldPlaces:
    left_out = None
    covered = all(image.covers(at) for image in images)
    if not covered:
        left_out = "Not all images define the span given."
    elif len(at) > MOST_PLACES:
        left_out = f"Only the first {MOST_PLACES} bytes of the span given were tried."
    end = min(at.end, at.start + MOST_PLACES)
    by_length = {}
    if covered:
        contents = _Contents(images, [at])
        by_length = {
            length: tuple(contents.each(range(at.start, end - length + 1), length))
            for length in lengths
            if length <= end - at.start
        }
    return FieldPlaces(
        placement=Placement.GIVEN,
        by_length=by_length,
        places=max((len(fields) for fields in by_length.values()), default=0),
        left_out=left_out,
    )


def _differing(
    images: Sequence[Image], spans: Sequence[Span], lengths: Sequence[int], contents: _Contents
) -> FieldPlaces:
    runs = _differing_runs(images, spans)
    total = int((runs[:, 1] - runs[:, 0]).sum())
    size = sum(len(span) for span in spans)
    most = _most_places(len(images), total, size)
    # Of two images every field has two numbers, so none of them is the less likely kind.
    of_two = max(_FEWEST_PLACES, _WORK_OF_FEW // size) if len(images) > 2 else most
    by_length = {}
    tried: set[int] = set()
    cut = False
    for length in lengths:
        likeliest = _places_on_runs(runs, length, whole=total <= _FEW)
        # The image's end is tried as such.
        apart = (address for address in likeliest if address + length != spans[-1].end)
        # One more than are tried tells that some are left out; there may be a million.
        room = list(islice(contents.each(apart, length), most + 1))
        chosen = _worth_their_time(room[:most], of_two)
        cut = cut or len(room) > len(chosen)
        # Likeliest first was for the cut; the searches want them in order of address.
        by_length[length] = tuple(sorted(chosen))
        tried.update(address for address, _ in chosen)
    left_out = None
    if cut:
        few = f", at most {of_two} of them with no more than two different numbers"
        left_out = (
            f"The images differ in {total:,} bytes; at most {most} places for each width were"
            f" tried, short runs first{few if of_two < most else ''}. Name others with --at."
        )
    return FieldPlaces(
        placement=Placement.DIFFERING, by_length=by_length, places=len(tried), left_out=left_out
    )


def _worth_their_time(
    fields: Sequence[tuple[int, tuple[bytes, ...]]], of_two: int
) -> list[tuple[int, tuple[bytes, ...]]]:
    """Those fields, and of those with two different numbers no more than `of_two`."""
    found = []
    for address, stored in fields:
        two = len(set(stored)) == 2
        if not two or of_two > 0:
            found.append((address, stored))
        of_two -= two
    return found


def _most_places(images: int, differing: int, size: int) -> int:
    """How many places are worth their time: each costs what differs, or all that there is.

    Three images give an equation that knows differing bytes alone (`field_ends`); two do not.
    """
    most = (_WORK + 2 * size) // (differing + 1) if images > 2 else _WORK_OF_TWO // size
    return max(_FEWEST_PLACES, min(MOST_PLACES, most))


def _differing_runs(images: Sequence[Image], spans: Sequence[Span]) -> Edges:
    """Runs of addresses at which not all images agree, without a gap of a byte: one is equal by
    chance now and then, and that is no border."""
    found = [np.zeros((0, 2), np.int64)]
    for span in spans:
        first, *others = (np.frombuffer(image.read(span), np.uint8) for image in images)
        differs = np.zeros(len(first), bool)
        for other in others:
            differs |= first != other
        found.append(edges_of_mask(differs) + span.start)
    return without_small_gaps(np.concatenate(found), _GAP)


def _places_on_runs(runs: Edges, length: int, *, whole: bool) -> Iterator[int]:
    """Addresses at which a number of `length` bytes is a differing run or lies at either end
    of one, likeliest first: numbers by themselves are short runs.

    Bytes at the border of a number are equal in all images now and then, so a run may be
    shorter than its number, and a number may go one byte further than its run. Where `whole`
    runs are tried, a number may lie among its own block's bytes.
    """
    seen: set[int] = set()
    for place in _all_on_runs(runs, length, whole=whole):
        if place not in seen:
            seen.add(place)
            yield place


def _all_on_runs(runs: Edges, length: int, *, whole: bool) -> Iterator[int]:
    """The same, some more than once."""
    # Of as likely ones the first: runs lie by address.
    likeliest = np.argsort(abs(runs[:, 1] - runs[:, 0] - length), kind="stable")
    for turn in likeliest:
        start, end = map(int, runs[turn])
        if end - start <= length:
            # Every place at which the number holds the whole run.
            yield from range(max(0, end - length), start + 1)
        else:
            places = (end - length, start, end - length + 1, start - 1)
            yield from (place for place in places if place >= 0)
    if whole:
        for start, end in runs.tolist():
            yield from range(max(0, start - length + 1), end)
