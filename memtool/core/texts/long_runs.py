"""An image without the insides of its long runs of one byte, for searches that find nothing there.

Erased memory is most of many an image. What is left of a run at either end is longer than
anything that is looked for, so whatever touches another byte stands there as before.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

from memtool.core.image import Image, Segment
from memtool.core.span import Span
from memtool.lazy import np

_BLOCK = 4096
"""Bytes; a run counts as far as it fills such blocks."""
_SAMPLED = 512
"""Every so-many-th byte of a block is looked at before all of them are."""


@dataclass(frozen=True, slots=True)
class LongRun:
    """One byte for long."""

    value: int
    span: Span


@dataclass(frozen=True, slots=True)
class Condensed:
    """The image that is left, each segment at the address where it was, and the way back."""

    image: Image
    places: tuple[int, ...]
    """Addresses in `image` from which on something is missing, sorted."""
    missing: tuple[int, ...]
    """How many bytes are, from each of them on."""

    def real(self, span: Span) -> Span:
        """Where a span of `image` lies in the whole image; it holds no place of a cut inside."""
        number = bisect_right(self.places, span.start) - 1
        moved = self.missing[number] if number >= 0 else 0
        return Span(span.start + moved, span.end + moved)


# Several identities, and unknown ones, are looked for in one image.
@lru_cache(maxsize=2)
def find_long_runs(image: Image) -> tuple[LongRun, ...]:
    """The runs of one byte that fill two blocks at least, as far as they do, by address."""
    found = []
    for segment in image.segments:
        whole = len(segment.data) // _BLOCK * _BLOCK
        if whole < 2 * _BLOCK:
            continue
        blocks = np.frombuffer(segment.data, np.uint8, whole).reshape(-1, _BLOCK)
        # A few bytes of each block rule out most that are not.
        sampled = blocks[:, ::_SAMPLED]
        maybe = np.flatnonzero((sampled == blocks[:, :1]).all(axis=1))
        # The byte of each block that holds no other; -1 for all others.
        values = np.full(len(blocks), -1, np.int16)
        for number in maybe.tolist():
            if (blocks[number] == blocks[number, 0]).all():
                values[number] = blocks[number, 0]
        changes = np.flatnonzero(values[1:] != values[:-1]) + 1
        for first, end in pairwise([0, *changes.tolist(), len(blocks)]):
            if values[first] >= 0 and end - first > 1:
                span = Span(segment.start + first * _BLOCK, segment.start + end * _BLOCK)
                found.append(LongRun(int(values[first]), span))
    return tuple(found)


def condense(
    image: Image, runs: Sequence[LongRun], *, margin: int, step: int, values: Collection[int]
) -> Condensed:
    """Leave the insides of runs out.

    Args:
        image: The whole one.
        runs: What `find_long_runs` gave of it.
        margin: Bytes of a run that stay at either end: more than any text occupies.
        step: What is left out are multiples of it, so that words and strides go on.
        values: Only runs of these bytes.
    """
    inside = []
    for run in runs:
        size = (len(run.span) - 2 * margin) // step * step
        if run.value in values and size > 0:
            inside.append(Span(run.span.start + margin, run.span.start + margin + size))
    if not inside:
        starts = tuple(segment.start for segment in image.segments)
        return Condensed(image, starts, (0,) * len(starts))
    segments, places, missing = [], [], []
    for segment in image.segments:
        cuts = [span for span in inside if segment.start <= span.start < segment.end]
        edges = [segment.start, *(edge for span in cuts for edge in (span.start, span.end))]
        edges.append(segment.end)
        kept = list(zip(edges[::2], edges[1::2], strict=True))
        data = b"".join(image.read(Span(start, end)) for start, end in kept)
        segments.append(Segment(segment.start, data))
        # From a segment's start nothing is missing, whatever was cut from the one before it.
        places.append(segment.start)
        missing.append(0)
        gone = 0
        for (_, end), (start, _) in pairwise(kept):
            places.append(end - gone)
            gone += start - end
            missing.append(gone)
    return Condensed(Image(tuple(segments)), tuple(places), tuple(missing))
