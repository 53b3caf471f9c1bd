"""The images side by side as arrays: what is equal, what differs, what is erased, where runs end.

All addresses of a survey are those of one area: from the first to the last address that
all images define. Where some image has a gap there, the bytes count as undefined and
nothing is guessed of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from memtool.core.drafting.draft import ModuleReads
from memtool.core.image import Image
from memtool.core.role import Role
from memtool.core.span import Span, intersect_spans

Bytes = NDArray[np.uint8]
Mask = NDArray[np.bool_]

_ERASED_RUN = 4
"""Equal erased bytes in a row that separate what lies before from what lies behind."""

WIDEST = 64 * 1024 * 1024
"""Addresses from the first byte to the last, gaps included."""


class Survey:
    """All images of a draft over one area."""

    def __init__(self, modules: Sequence[ModuleReads]) -> None:
        """Lay the images side by side.

        Raises:
            ValueError: no module, no address that all images define, or addresses
                further apart than `WIDEST`.
        """
        images = [read for module in modules for read in module.reads]
        spans = images[0].spans if images else ()
        for image in images[1:]:
            spans = intersect_spans(spans, image.spans)
        if not spans:
            raise ValueError("the images have no address in common")
        self.span = Span(spans[0].start, spans[-1].end)
        if len(self.span) > WIDEST:
            # Everything here is laid out from the first address to the last.
            raise ValueError(
                f"the images reach over {len(self.span):,} addresses, more than {WIDEST:,}:"
                " cut one memory out with 'benchimage convert --span'"
            )
        self.defined_spans = spans
        self.configured = [m for m in modules if m.role is not Role.REFERENCE]
        self.references = [m for m in modules if m.role is Role.REFERENCE]
        self.defined = self._mask_of(spans)
        self.rows = self._stack([m.reads[0] for m in self.configured])
        """First reads of the configured modules, one row each."""
        self.reference_rows = self._stack([m.reads[0] for m in self.references])
        self.all_rows = np.concatenate([self.rows, self.reference_rows])
        self.distinct = len({row.tobytes() for row in self.rows})
        """How many configured modules differ from each other."""
        self.varies: Mask = (self.rows != self.rows[:1]).any(axis=0)
        """Whether the configured modules differ."""
        self.varies_at_all: Mask = (self.all_rows != self.all_rows[:1]).any(axis=0)
        self.ticks: Mask = self._ticks()
        """Whether two reads of one module differ."""
        self.erased = self._erased_value()
        self.blank: Mask = (self.all_rows == self.erased).all(axis=0)
        """Erased in every image."""
        self.empty_runs = self._empty_runs()
        """Runs that hold nothing in every image: erased, or zeros in a long row."""

    def address(self, index: int) -> int:
        """Of an index into the arrays."""
        return self.span.start + index

    def slice_of(self, span: Span) -> slice:
        """The part of the arrays that a span means."""
        return slice(span.start - self.span.start, span.end - self.span.start)

    def texts_at(self, span: Span) -> list[bytes]:
        """What each configured module holds there."""
        return [row[self.slice_of(span)].tobytes() for row in self.rows]

    def reference_at(self, span: Span) -> list[bytes]:
        """What each reference holds there."""
        return [row[self.slice_of(span)].tobytes() for row in self.reference_rows]

    def covers(self, span: Span) -> bool:
        """Whether all images define all of it."""
        return self.span.contains(span) and bool(self.defined[self.slice_of(span)].all())

    def runs_of(self, mask: Mask) -> Iterator[Span]:
        """The runs of addresses at which `mask` holds."""
        # With False at either end, changes come in pairs: where a run begins and where it stops.
        edges = np.flatnonzero(np.diff(mask, prepend=False, append=False))
        for first, end in edges.reshape(-1, 2):
            yield Span(self.address(int(first)), self.address(int(end)))

    @cached_property
    def borders(self) -> tuple[frozenset[int], frozenset[int]]:
        """Where what the memory holds begins and ends: at its own ends and beside erased bytes."""
        # As borders shorter runs will do than for what counts as empty.
        blank = [run for run in self.runs_of(self.blank) if len(run) > 1]
        empty = [*self.empty_runs, *blank]
        starts = {span.start for span in self.defined_spans} | {run.end for run in empty}
        ends = {span.end for span in self.defined_spans} | {run.start for run in empty}
        return frozenset(starts), frozenset(ends)

    def mask_of(self, spans: Sequence[Span]) -> Mask:
        """Where any of `spans` lies, as far as it lies in the area."""
        return self._mask_of([s for span in spans if (s := span.intersection(self.span))])

    def _mask_of(self, spans: Sequence[Span]) -> Mask:
        mask = np.zeros(len(self.span), bool)
        for span in spans:
            mask[self.slice_of(span)] = True
        return mask

    def _stack(self, images: Sequence[Image]) -> Bytes:
        rows = np.zeros((len(images), len(self.span)), np.uint8)
        # Gaps stay zero; `defined` says where, and nothing is guessed there.
        for row, image in zip(rows, images, strict=True):
            for span in self.defined_spans:
                row[self.slice_of(span)] = np.frombuffer(image.read(span), np.uint8)
        return rows

    def _ticks(self) -> Mask:
        mask = np.zeros(len(self.span), bool)
        for module in (*self.configured, *self.references):
            rows = self._stack(module.reads)
            mask |= (rows != rows[:1]).any(axis=0)
        return mask

    def _erased_value(self) -> int:
        """0xFF or 0x00: what makes up more of the long runs; 0xFF where neither does."""
        lengths = {
            value: sum(
                len(span)
                for span in self.runs_of((self.all_rows == value).all(axis=0) & self.defined)
                if len(span) >= 2 * _ERASED_RUN
            )
            for value in (0xFF, 0x00)
        }
        # Zeros are common as data, so erased as 00 needs clearly more of them.
        return 0x00 if lengths[0x00] > 4 * lengths[0xFF] else 0xFF

    def _empty_runs(self) -> tuple[Span, ...]:
        runs = [s for s in self.runs_of(self.blank & self.defined) if len(s) >= _ERASED_RUN]
        if self.erased != 0x00:
            zero = (self.all_rows == 0).all(axis=0) & self.defined
            # Zeros are data as well: many more of them are asked for.
            runs += [s for s in self.runs_of(zero) if len(s) >= 4 * _ERASED_RUN]
        return tuple(sorted(runs))


class Claims:
    """Which addresses have been guessed already; each guess takes what is free."""

    def __init__(self, survey: Survey) -> None:
        """Nothing is claimed but what no image defines."""
        self._survey = survey
        self.taken: Mask = ~survey.defined
        self._empty = survey.mask_of(survey.empty_runs)

    def take(self, span: Span) -> None:
        """Claim all of a span."""
        self.taken[self._survey.slice_of(span)] = True

    def release(self, span: Span) -> None:
        """Give it back."""
        self.taken[self._survey.slice_of(span)] = False

    def is_free(self, span: Span) -> bool:
        """Whether nothing of it is claimed."""
        return self._survey.covers(span) and not self.taken[self._survey.slice_of(span)].any()

    def chunks(self) -> Iterator[Span]:
        """What is left between claims and empty runs."""
        yield from self._survey.runs_of(self._left(slice(None)))

    def is_chunk(self, span: Span) -> bool:
        """Whether a span is one of the `chunks`, from its first byte to its last."""
        place = self._survey.slice_of(span)
        # With its neighbours, of which none may be left.
        left = self._left(slice(max(0, place.start - 1), place.stop + 1))
        return int(left.sum()) == len(span) and bool(self._left(place).all())

    def _left(self, places: slice) -> Mask:
        return ~(self.taken[places] | self._empty[places])
