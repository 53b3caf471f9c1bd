"""Why each byte of an image changes: one number an address, so that a large region costs little."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.image import Image
from memtool.core.layouts.region import RegionKind
from memtool.core.span import Span
from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray


class Reason(NamedTuple):
    """Why a byte changes."""

    text: str
    kind: RegionKind


class Reasons:
    """The reason that was put last to each address of an image."""

    def __init__(self, image: Image) -> None:
        """Without any reason yet."""
        self._numbers: dict[Reason, int] = {}
        self._reasons: list[Reason] = []
        self._image = image
        self._of: dict[int, NDArray[np.int32]] = {
            segment.start: np.full(len(segment.data), -1, np.int32) for segment in image.segments
        }

    def put(self, span: Span, reason: Reason) -> None:
        """Put a reason to every address of a span, in place of an earlier one.

        Args:
            span: Inside one segment of the image.
            reason: Why these bytes change.
        """
        if reason not in self._numbers:
            self._numbers[reason] = len(self._reasons)
            self._reasons.append(reason)
        start, numbers = self._segment_of(span)
        numbers[span.start - start : span.end - start] = self._numbers[reason]

    def split(self, run: Span) -> Iterator[tuple[Span, Reason]]:
        """A run of changed bytes, cut where the reason changes.

        Raises:
            KeyError: a byte of it has no reason.
        """
        start, numbers = self._segment_of(run)
        held = numbers[run.start - start : run.end - start]
        cuts = np.flatnonzero(np.diff(held)) + 1
        edges = [0, *cuts.tolist(), len(held)]
        for first, end in pairwise(edges):
            number = int(held[first])
            if number < 0:
                raise KeyError(run.start + first)
            yield Span(run.start + first, run.start + end), self._reasons[number]

    def _segment_of(self, span: Span) -> tuple[int, NDArray[np.int32]]:
        (segment,) = self._image.segments_in(span)
        return segment.start, self._of[segment.start]
