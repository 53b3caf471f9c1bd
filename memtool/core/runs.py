"""Whole images as numpy arrays, the runs of a mask as addresses, and where two images differ.

numpy is loaded by the first call, not with the module: most commands never need it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, TypeAlias, TypeVar

from memtool.core.image import Image
from memtool.core.span import Span, intersect_spans, spans_between
from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Edges: TypeAlias = NDArray[np.int64]
    """One row a run: first address, first address after it."""
    Bytes = NDArray[np.uint8]
    Mask = NDArray[np.bool_]
    Rows = NDArray[np.intp]
    """Rows of (first, end)."""
    MarksT = TypeVar("MarksT", Mask, Bytes)

_LOOKED_AT = 1 << 20
"""Bytes of two images that are compared at a time."""
_PART = 1 << 16
"""Bytes worked on at a time: their arrays stay in the processor's cache."""


def edges_of(spans: Sequence[Span]) -> Edges:
    """One row a span: first address, first address after it."""
    flat = np.fromiter((edge for span in spans for edge in (span.start, span.end)), np.int64)
    return flat.reshape(-1, 2)


def array_of(data: bytes) -> Bytes:
    """The bytes as a read-only array, not copied."""
    return np.frombuffer(data, dtype=np.uint8)


def count_bytes(data: Bytes) -> NDArray[np.int64]:
    """How often each of the 256 values occurs."""
    counts = np.zeros(256, np.int64)
    # numpy makes a number of eight bytes of each: not of a whole image at once.
    for begin in range(0, len(data), _PART):
        counts += np.bincount(data[begin : begin + _PART], minlength=256)
    return counts


# A read is counted when its order is asked for, when it is kept and when it is shown.
@lru_cache(maxsize=4)
def count_image(image: Image) -> NDArray[np.int64]:
    """How often each of the 256 values occurs among all defined bytes. Not to be changed."""
    counts = count_bytes(defined_bytes(image))
    counts.flags.writeable = False
    return counts


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
    # Not `spans_between`, which keeps what a plan changes for many rules.
    return tuple(Span(*edges) for edges in _edges_apart(mask, image.spans).tolist())


# Each rule of a blanking asks it of the same two images.
@lru_cache(maxsize=2)
def find_changes(before: Image, after: Image) -> tuple[Span, ...]:
    """The runs of addresses that both images define with different bytes, by address."""
    return spans_between(tuple(find_change_edges(before, after).ravel().tolist()))


def find_change_edges(before: Image, after: Image) -> Edges:
    """The same runs as an array, one row each: first address, and first address after it."""
    shared = intersect_spans(before.spans, after.spans)
    old, new = (b"".join(map(image.read, shared)) for image in (before, after))
    if old == new:
        return np.zeros((0, 2), np.int64)
    if len(shared) == 1:
        return _edges_where_unlike(array_of(old), array_of(new), shared[0].start)
    return _edges_apart(array_of(old) != array_of(new), shared)


def _edges_where_unlike(one: Bytes, other: Bytes, address: int) -> Edges:
    """The same of as many bytes of both from one address on, part by part: a mask of all of a large
    image would take more memory than the runs.
    """
    unlike = (
        (address + start, one[start : start + _LOOKED_AT] != other[start : start + _LOOKED_AT])
        for start in range(0, len(one), _LOOKED_AT)
    )
    return _edges_of_parts(unlike, address + len(one))


def _edges_apart(mask: Mask, spans: Sequence[Span]) -> Edges:
    """The runs of true places as addresses; none crosses from one span to the next.

    Args:
        mask: One place for each address of `spans`, one span after the other.
        spans: Sorted and disjoint.
    """
    if len(spans) < 2:
        return edges_of_mask(mask) + (spans[0].start if spans else 0)
    starts, ends = edges_of(spans).T
    behind = np.cumsum(ends - starts)
    # With False between two spans a run ends there.
    runs = edges_of_mask(np.insert(mask, behind[:-1], False))
    firsts = behind - (ends - starts) + np.arange(len(spans))
    number = np.searchsorted(firsts, runs[:, 0], "right") - 1
    addresses: Edges = runs + (starts - firsts)[number][:, np.newaxis]
    return addresses


def in_a_row(marked: MarksT, count: int) -> MarksT:
    """Where so many true places in a row begin, the last one inside; shorter by `count` - 1.

    Of bytes the same for each of their bits.
    """
    row, length = marked, 1
    while length < count:
        more = min(length, count - length)
        row = row[:-more] & row[more:]
        length += more
    return row


def rows_of_bytes(data: bytes, marks: bytes, least: int) -> Rows:
    """The runs of at least `least` bytes whose values are marked, as rows of (first, end).

    Args:
        data: Any bytes.
        marks: For each of the 256 values 1 or 0.
        least: One or more.
    """
    places = max(0, len(data) - least + 1)
    parts = (
        (start, data[start : start + _PART + least - 1].translate(marks))
        for start in range(0, places, _PART)
    )
    rows = _edges_of_parts(
        ((start, in_a_row(np.frombuffer(part, np.bool_), least)) for start, part in parts), places
    )
    # The last place at which so many begin is that much before the end.
    rows[:, 1] += least - 1
    return rows


def runs_of_mask(mask: Mask, *, least: int = 1) -> list[tuple[int, int]]:
    """(first, end) of each run of at least `least` true places, in order."""
    if not mask.any():
        return []
    edges = edges_of_mask(mask)
    if least > 1:
        edges = edges[edges[:, 1] - edges[:, 0] >= least]
    return [(first, end) for first, end in edges.tolist()]


def _edges_of_parts(parts: Iterable[tuple[int, Mask]], end: int) -> Edges:
    """The runs of a mask that is given part by part, each with its first place, up to `end`."""
    edges, inside = [np.zeros(0, np.intp)], False
    for start, marked in parts:
        # Most parts hold no such run.
        if not inside and not marked.any():
            continue
        if marked[0] != inside:
            edges.append(np.array([start]))
        edges.append(np.flatnonzero(marked[1:] != marked[:-1]) + (start + 1))
        inside = bool(marked[-1])
    if inside:
        edges.append(np.array([end]))
    return np.concatenate(edges).reshape(-1, 2)


def edges_of_mask(mask: Mask) -> Edges:
    """One row for each run of true places, in order: first place, first place after it."""
    marked = np.zeros(len(mask) + 2, dtype=bool)
    marked[1:-1] = mask
    # With False at either end, changes come in pairs: where a run begins and where it stops.
    return np.flatnonzero(marked[1:] != marked[:-1]).reshape(-1, 2)


def without_small_gaps(edges: Edges, gap: int) -> Edges:
    """The runs, joined where less than `gap` lies between them.

    Args:
        edges: One row a run, in order of their first address; they may overlap.
        gap: One or more.
    """
    if not len(edges):
        return edges
    ends = np.maximum.accumulate(edges[:, 1])
    apart = edges[1:, 0] - ends[:-1] >= gap
    starts = edges[np.concatenate(([True], apart)), 0]
    return np.stack([starts, ends[np.concatenate((apart, [True]))]], axis=1)
