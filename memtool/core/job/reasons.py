"""Why each byte of an image changes: one number an address, so that a large region costs little."""

from __future__ import annotations

from typing import TYPE_CHECKING

from memtool.core.image import Image, find_change_edges
from memtool.core.job.edit import Edits, Reason
from memtool.core.span import Span
from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray


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

    def find_edits(self, after: Image) -> Edits:
        """The runs of bytes that change, cut where the reason changes.

        Args:
            after: The image as it becomes, of the same addresses.

        Raises:
            KeyError: a byte of them has no reason.
        """
        found = find_change_edges(self._image, after)
        edges: list[NDArray[np.int64]] = []
        numbers: list[NDArray[np.int32]] = []
        old: list[bytes] = []
        new: list[bytes] = []
        for before, changed in zip(self._image.segments, after.segments, strict=True):
            first, end = np.searchsorted(found[:, 0], (before.start, before.end))
            runs = found[first:end] - before.start
            held = self._of[before.start]
            cuts = np.flatnonzero(held[1:] != held[:-1]) + 1
            # A cut belongs to the run that begins last before it, if it lies inside of that one.
            of_run = np.searchsorted(runs[:, 0], cuts, side="left") - 1
            inside = (of_run >= 0) & (cuts < runs[of_run, 1]) if len(runs) else of_run >= 0
            starts = np.sort(np.concatenate((runs[:, 0], cuts[inside])))
            ends = np.sort(np.concatenate((runs[:, 1], cuts[inside])))
            missing = starts[held[starts] < 0]
            if len(missing):
                raise KeyError(before.start + int(missing[0]))
            edges.append(np.stack((starts, ends), axis=1).ravel() + before.start)
            numbers.append(held[starts])
            values = np.frombuffer(before.data, np.uint8), np.frombuffer(changed.data, np.uint8)
            differ = values[0] != values[1]
            old.append(values[0][differ].tobytes())
            new.append(values[1][differ].tobytes())
        return Edits(
            edges=tuple(edge for part in edges for edge in part.tolist()),
            numbers=tuple(number for part in numbers for number in part.tolist()),
            reasons=tuple(self._reasons),
            old=b"".join(old),
            new=b"".join(new),
        )

    def _segment_of(self, span: Span) -> tuple[int, NDArray[np.int32]]:
        (segment,) = self._image.segments_in(span)
        return segment.start, self._of[segment.start]
