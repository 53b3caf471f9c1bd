"""Why each byte of an image changes, span by span, so that a large region costs little."""

from __future__ import annotations

from typing import TYPE_CHECKING

from memtool.core.image import Image
from memtool.core.job.edit import Edits, Reason
from memtool.core.runs import array_of, find_change_edges
from memtool.core.span import Span
from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray


class Reasons:
    """The reason that was put last to each address of an image."""

    def __init__(self, image: Image) -> None:
        """Without any reason yet."""
        self._numbers: dict[Reason, int] = {}
        self._image = image
        self._put: list[tuple[int, int, int]] = []
        """First address, first behind it, number of the reason; later ones lie over earlier."""

    def put(self, span: Span, reason: Reason) -> None:
        """Put a reason to every address of a span, in place of an earlier one.

        Args:
            span: Inside one segment of the image.
            reason: Why these bytes change.
        """
        number = self._numbers.setdefault(reason, len(self._numbers))
        self._put.append((span.start, span.end, number))

    def find_edits(self, after: Image) -> Edits:
        """The runs of bytes that change, cut where the reason changes.

        Args:
            after: The image as it becomes, of the same addresses.

        Raises:
            KeyError: a byte of them has no reason.
        """
        runs = find_change_edges(self._image, after)
        places, held = self._held()
        cuts = places[1:][held[1:] != held[:-1]]
        # A cut belongs to the run that begins last before it, if it lies inside of that one.
        of_run = np.searchsorted(runs[:, 0], cuts, side="left") - 1
        inside = (of_run >= 0) & (cuts < runs[of_run, 1]) if len(runs) else of_run >= 0
        starts = np.sort(np.concatenate((runs[:, 0], cuts[inside])))
        ends = np.sort(np.concatenate((runs[:, 1], cuts[inside])))
        numbers = held[np.searchsorted(places, starts, side="right") - 1]
        missing = starts[numbers < 0]
        if len(missing):
            raise KeyError(int(missing[0]))
        old, new = self._changed_bytes(after)
        return Edits(
            edges=tuple(np.stack((starts, ends), axis=1).ravel().tolist()),
            numbers=tuple(numbers.tolist()),
            reasons=tuple(self._numbers),
            old=old,
            new=new,
        )

    def _held(self) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
        """The addresses from which on another reason may hold, and the one there; -1: none."""
        edges = {edge for start, end, _ in self._put for edge in (start, end)}
        # Before the first there is none, wherever that is.
        places = np.array([-1, *sorted(edges)], np.int64)
        held = np.full(len(places), -1, np.int32)
        for start, end, number in self._put:
            first, behind = np.searchsorted(places, (start, end)).tolist()
            held[first:behind] = number
        return places, held

    def _changed_bytes(self, after: Image) -> tuple[bytes, bytes]:
        """Every byte that goes and every one that comes, by address."""
        old, new = [], []
        for before, changed in zip(self._image.segments, after.segments, strict=True):
            here, there = array_of(before.data), array_of(changed.data)
            differ = here != there
            old.append(here[differ].tobytes())
            new.append(there[differ].tobytes())
        return b"".join(old), b"".join(new)
