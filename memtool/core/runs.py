"""Whole images as numpy arrays, and the runs of a mask back as spans of addresses.

numpy is loaded by the first call, not with the module: most commands never need it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from memtool.core.image import Image
from memtool.core.span import Span
from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from memtool.core.image import Edges

    Bytes = NDArray[np.uint8]
    Mask = NDArray[np.bool_]


def edges_of(spans: Sequence[Span]) -> Edges:
    """One row a span: first address, first address after it."""
    flat = np.fromiter((edge for span in spans for edge in (span.start, span.end)), np.int64)
    return flat.reshape(-1, 2)


def array_of(data: bytes) -> Bytes:
    """The bytes as a read-only array, not copied."""
    return np.frombuffer(data, dtype=np.uint8)


def defined_bytes(image: Image) -> Bytes:
    """All defined bytes of `image`, segments one after the other."""
    if len(image.segments) == 1:
        return array_of(image.segments[0].data)
    return array_of(b"".join(segment.data for segment in image.segments))


def spans_of_mask(mask: Mask, image: Image) -> tuple[Span, ...]:
    """The runs of true places as addresses; a run never crosses from one segment to the next.

    Args:
        mask: One place for each defined byte of `image`, segments one after the other.
        image: Gives the places their addresses.
    """
    spans: list[Span] = []
    offset = 0
    for segment in image.segments:
        part = mask[offset : offset + len(segment.data)]
        spans += [
            Span(segment.start + first, segment.start + end) for first, end in runs_of_mask(part)
        ]
        offset += len(segment.data)
    return tuple(spans)


def runs_of_mask(mask: Mask, *, least: int = 1) -> list[tuple[int, int]]:
    """(first, end) of each run of at least `least` true places, in order."""
    if not mask.any():
        return []
    marked = np.zeros(len(mask) + 2, dtype=bool)
    marked[1:-1] = mask
    # With False at either end, changes come in pairs: where a run begins and where it stops.
    edges = np.flatnonzero(marked[1:] != marked[:-1]).reshape(-1, 2)
    if least > 1:
        edges = edges[edges[:, 1] - edges[:, 0] >= least]
    return [(first, end) for first, end in edges.tolist()]
