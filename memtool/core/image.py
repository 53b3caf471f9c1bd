"""The content of one memory: segments of defined bytes at absolute addresses.

Bytes that no file defined are not data: an image is its segments, and its memory grows
with the data, never with the distance between addresses.
"""

from __future__ import annotations

import hashlib
from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from memtool.core.span import Span, intersect_spans, subtract_spans

_HASHED = 4096
"""Bytes of a segment by which images are told apart before they are compared."""


class Segment(NamedTuple):
    """A run of defined bytes."""

    start: int
    """Address of the first byte."""
    data: bytes
    """At least one byte."""

    @property
    def end(self) -> int:
        """First address after the segment."""
        return self.start + len(self.data)

    @property
    def span(self) -> Span:
        """The segment's addresses."""
        return Span(self.start, self.end)


@dataclass(slots=True)
class _Known:
    """What an image has worked out: a command asks for it by the dozen, of large images and of
    thousands of islands.
    """

    digest: str | None = None
    spans: tuple[Span, ...] | None = None
    hash: int | None = None


@dataclass(frozen=True, slots=True)
class Image:
    """Sorted, disjoint segments, never adjacent. Make one with `from_bytes` or `from_pieces`."""

    segments: tuple[Segment, ...]
    _known: _Known = field(default_factory=_Known, init=False, repr=False, compare=False)

    @classmethod
    def from_bytes(cls, data: bytes, *, base: int = 0) -> Image:
        """One segment at `base`; no bytes make an image of no segment.

        Raises:
            ValueError: `base` is negative.
        """
        return cls.from_pieces([(base, data)])

    @classmethod
    def from_pieces(cls, pieces: Iterable[tuple[int, bytes]]) -> Image:
        """Join (address, bytes) pieces given in any order; empty pieces are ignored.

        Raises:
            ValueError: pieces overlap, or an address is negative.
        """
        ordered = sorted(
            ((address, data) for address, data in pieces if data), key=lambda piece: piece[0]
        )
        runs: list[tuple[int, list[bytes]]] = []
        end = -1
        for address, data in ordered:
            if address < 0:
                raise ValueError(f"negative address {address}")
            if address < end:
                raise ValueError(f"pieces overlap at address {address:#x}")
            # Adjacent pieces become one segment: images of the same bytes are then equal, however
            # they were cut.
            if address == end:
                runs[-1][1].append(data)
            else:
                runs.append((address, [data]))
            end = address + len(data)
        return cls(tuple(Segment(start, b"".join(parts)) for start, parts in runs))

    @property
    def size(self) -> int:
        """How many bytes are defined."""
        return sum(len(segment.data) for segment in self.segments)

    @property
    def spans(self) -> tuple[Span, ...]:
        """The defined addresses: sorted, disjoint, never adjacent."""
        if self._known.spans is None:
            self._known.spans = tuple(segment.span for segment in self.segments)
        return self._known.spans

    @property
    def extent(self) -> Span | None:
        """From the first to the last defined address, gaps included; None without data."""
        if not self.segments:
            return None
        return Span(self.segments[0].start, self.segments[-1].end)

    def __hash__(self) -> int:
        """Of a large segment a few of its bytes: what is asked by image is asked of few of them."""
        if self._known.hash is None:
            self._known.hash = hash(
                tuple((segment.start, _some_of(segment.data)) for segment in self.segments)
            )
        return self._known.hash

    def know_digest(self, data: bytes, sha256: str) -> None:
        """Take over the digest of a file, where the image is the bytes of that file.

        Args:
            data: What was read from it; nothing is taken over unless the image holds this object.
            sha256: Of `data`, as 64 lower-case hex digits.
        """
        if len(self.segments) == 1 and self.segments[0].data is data:
            self._known.digest = sha256

    def sha256(self) -> str:
        """The digest that people can check, as 64 lower-case hex digits.

        Of one segment (or none) the SHA-256 of its bytes, whatever its base address; of
        several, over (start, length, bytes) of each, both numbers as 64 bits big-endian.
        """
        if self._known.digest is None:
            self._known.digest = self._compute_sha256()
        return self._known.digest

    def _compute_sha256(self) -> str:
        digest = hashlib.sha256()
        for segment in self.segments:
            # One segment has the digest of its plain file, which people can check with any tool.
            if len(self.segments) > 1:
                digest.update(segment.start.to_bytes(8, "big"))
                digest.update(len(segment.data).to_bytes(8, "big"))
            digest.update(segment.data)
        return digest.hexdigest()

    def covers(self, span: Span) -> bool:
        """Whether every address of `span` is defined."""
        return self._segment_with(span) is not None

    def read(self, span: Span) -> bytes:
        """The bytes of `span`.

        Raises:
            ValueError: some address of it is not defined; ask `covers` first.
        """
        segment = self._segment_with(span)
        if segment is None:
            raise ValueError(f"{span} is not wholly defined")
        return segment.data[span.start - segment.start : span.end - segment.start]

    def select(self, spans: Iterable[Span]) -> Image:
        """The part of the image that lies in `spans`; what is undefined there stays so."""
        wanted = intersect_spans(self.spans, spans)
        return Image.from_pieces((span.start, self.read(span)) for span in wanted)

    def without(self, spans: Iterable[Span]) -> Image:
        """The image with `spans` undefined; itself where there is none."""
        left_out = tuple(spans)
        return self.select(subtract_spans(self.spans, left_out)) if left_out else self

    def with_bytes(self, edits: Iterable[tuple[int, bytes]]) -> Image:
        """A copy with each (address, bytes) edit put over defined bytes.

        Raises:
            ValueError: an edit touches an undefined address.
        """
        parts = {segment.start: bytearray(segment.data) for segment in self.segments}
        start = end = 0
        for address, data in edits:
            if not data:
                continue
            behind = address + len(data)
            # The next edit mostly lies in the same segment.
            if not (start <= address and behind <= end):
                segment = self._segment_with(Span(address, behind))
                if segment is None:
                    raise ValueError(f"edit of undefined bytes at {address:#x}")
                start, end = segment.start, segment.end
            parts[start][address - start : behind - start] = data
        return Image(tuple(Segment(start, bytes(part)) for start, part in parts.items()))

    def filled(self, span: Span, fill: int) -> Image:
        """A copy in which every undefined address of `span` holds the byte `fill`."""
        holes = subtract_spans([span], self.spans)
        pieces = [(segment.start, segment.data) for segment in self.segments]
        pieces += [(hole.start, bytes([fill]) * len(hole)) for hole in holes]
        return Image.from_pieces(pieces)

    def segments_in(self, span: Span) -> tuple[Segment, ...]:
        """The segments that share an address with `span`, whole."""
        first = max(bisect_right(self.segments, span.start, key=_start_of) - 1, 0)
        end = bisect_left(self.segments, span.end, key=_start_of)
        # The segment that begins before the span may end before it as well.
        if first < end and self.segments[first].end <= span.start:
            first += 1
        return self.segments[first:end]

    def _segment_with(self, span: Span) -> Segment | None:
        """The segment that defines all of `span`."""
        index = bisect_right(self.segments, span.start, key=_start_of) - 1
        if index < 0:
            return None
        segment = self.segments[index]
        return segment if span.end <= segment.start + len(segment.data) else None


def _some_of(data: bytes) -> bytes:
    """All of a few bytes, of many about so many all over them."""
    return data[:: len(data) // _HASHED + 1]


def _start_of(segment: Segment) -> int:
    return segment.start
