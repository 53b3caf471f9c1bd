"""The runs in which two images differ, each made when it is asked for.

Two wholly different images of 16 MiB differ in 65,000 runs; whoever shows the first thirty
does not wait for the others.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, overload

from memtool.core.image import Image
from memtool.core.layouts.region import Region, RegionKind
from memtool.core.span import Span
from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from memtool.core.layouts.layout import Layout
    from memtool.core.runs import Edges


@dataclass(frozen=True, slots=True, kw_only=True)
class DifferingRun:
    """Neighbouring bytes that all differ."""

    span: Span
    a: bytes | None
    """What the first image holds there; None in a protected region."""
    b: bytes | None
    """What the second image holds there; None in a protected region."""
    region: str | None
    """Name of the region; None without a layout, and outside all regions."""
    kind: RegionKind | None


class DifferingRuns(Sequence[DifferingRun]):
    """All runs by address, each in one region or in none."""

    def __init__(self, a: Image, b: Image, edges: Edges, layout: Layout | None) -> None:
        """Cut the runs at the borders of regions.

        Args:
            a: The first image.
            b: The second image.
            edges: Where they differ.
            layout: Gives the regions.
        """
        self._a, self._b = a, b
        self._regions: tuple[Region, ...] = () if layout is None else layout.regions
        self._region_starts = [region.span.start for region in self._regions]
        self._edges = edges
        if self._regions:
            borders = [(region.span.start, region.span.end) for region in self._regions]
            self._edges = _cut(edges, np.unique(np.array(borders, np.int64)))

    @property
    def edges(self) -> Edges:
        """One row a run: first address, and first address after it."""
        return self._edges

    def __len__(self) -> int:
        return len(self._edges)

    @overload
    def __getitem__(self, place: int) -> DifferingRun: ...
    @overload
    def __getitem__(self, place: slice) -> tuple[DifferingRun, ...]: ...
    def __getitem__(self, place: int | slice) -> DifferingRun | tuple[DifferingRun, ...]:
        if isinstance(place, slice):
            return tuple(self._run(*edge) for edge in self._edges[place].tolist())
        start, end = self._edges[place].tolist()
        return self._run(start, end)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and tuple(self) == tuple(other)

    def __hash__(self) -> int:
        return hash(tuple(self))

    def _run(self, start: int, end: int) -> DifferingRun:
        span, region = Span(start, end), self._region_at(start)
        hidden = region is not None and region.kind is RegionKind.PROTECTED
        return DifferingRun(
            span=span,
            a=None if hidden else self._a.read(span),
            b=None if hidden else self._b.read(span),
            region=None if region is None else region.name,
            kind=None if region is None else region.kind,
        )

    def _region_at(self, address: int) -> Region | None:
        number = bisect_right(self._region_starts, address) - 1
        if number < 0 or address not in self._regions[number].span:
            return None
        return self._regions[number]


def _cut(edges: Edges, borders: NDArray[np.int64]) -> Edges:
    """The runs, ended and begun anew at every border that lies inside one."""
    if not len(edges):
        return edges
    starts, ends = edges[:, 0], edges[:, 1]
    # The last run that begins before the border; one that begins at it needs no cut.
    around = starts.searchsorted(borders, "left") - 1
    inside = borders[(around >= 0) & (borders < ends[around])]
    # A cut is an end and a start at once. Runs are disjoint, so both lists sorted fit together
    # again.
    firsts = np.sort(np.concatenate((starts, inside)))
    return np.stack((firsts, np.sort(np.concatenate((ends, inside)))), axis=1)
