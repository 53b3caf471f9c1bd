"""What one image holds that the other does not hold in the same place, as one array."""

from __future__ import annotations

from array import array
from bisect import bisect_right
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.comparing.equal_bytes import eight_at_each
from memtool.core.comparing.filler import SHORTEST
from memtool.core.image import Image, Segment
from memtool.core.runs import array_of
from memtool.core.span import Span
from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from memtool.core.comparing.equal_bytes import Words
    from memtool.core.runs import Bytes, Edges

    Numbers = NDArray[np.int64]

_AT_ONCE = 4096
"""Pieces that are read in one go."""
_CLOSE = 256
"""Pieces with so many bytes from one to the next, or fewer, are read together."""


class Changed(NamedTuple):
    """The changed pieces of one image and what is around them, joined to one array."""

    image: Image
    content: bytes
    data: Bytes
    """The same bytes as an array."""
    starts: array[int]
    """Index of each piece's first byte, and the length of `data` behind them."""
    borders: Numbers
    """The same for numpy."""
    addresses: array[int]
    """Address of each piece's first byte."""

    @classmethod
    def of(cls, image: Image, changed: Edges) -> Changed | None:
        """None where no piece is long enough for a block."""
        pieces = _pieces(image, changed)
        lengths = pieces[:, 1] - pieces[:, 0]
        pieces, lengths = pieces[lengths >= SHORTEST], lengths[lengths >= SHORTEST]
        if not len(pieces):
            return None
        content = _read_all(image, pieces)
        borders = np.concatenate([[0], np.cumsum(lengths)])
        return cls(
            image=image,
            content=content,
            data=array_of(content),
            starts=array("q", borders.tobytes()),
            borders=borders,
            addresses=array("q", pieces[:, 0].tobytes()),
        )

    @property
    def words(self) -> Words:
        """The eight bytes at every place, the first one lowest; nothing is copied."""
        return eight_at_each(self.content)

    def piece_of(self, index: int) -> tuple[int, int]:
        """First index and end index of the piece that `index` lies in."""
        piece = bisect_right(self.starts, index) - 1
        return self.starts[piece], self.starts[piece + 1]

    def address_of(self, index: int) -> int:
        """The image's address of the byte at `index`."""
        piece = bisect_right(self.starts, index) - 1
        return self.addresses[piece] + index - self.starts[piece]

    def at_distance(self, indexes: Numbers, other: Changed, distance: int) -> Numbers:
        """Index in `other` of what has an address so much higher; -1 where that is in no piece."""
        piece = self.borders.searchsorted(indexes, "right") - 1
        addresses = np.frombuffer(self.addresses, np.int64)[piece]
        addresses += indexes - self.borders[piece] + distance
        others = np.frombuffer(other.addresses, np.int64)
        piece = others.searchsorted(addresses, "right") - 1
        found = other.borders[piece] + addresses - others[piece]
        found[(piece < 0) | (found >= other.borders[piece + 1])] = -1
        return found

    def index_from(self, address: int) -> int:
        """Index of the first byte at or behind an address."""
        piece = bisect_right(self.addresses, address) - 1
        if piece < 0:
            return 0
        return min(self.starts[piece] + address - self.addresses[piece], self.starts[piece + 1])

    def within(self, start: int, end: int) -> tuple[int, int]:
        """Addresses around a piece, moved inwards over what is in none."""
        first = self.address_of(self.index_from(start))
        last = self.address_of(self.index_from(end) - 1)
        return first, last + 1

    def segment_of(self, address: int) -> Segment:
        """What the image defines around an address."""
        (segment,) = self.image.segments_in(Span(address, address + 1))
        return segment


def _read_all(image: Image, pieces: Edges) -> bytes:
    """The bytes of all pieces, one behind the other."""
    if len(pieces) == 1:
        return image.read(Span(*pieces[0].tolist()))
    # Not joined from a list, which would hold all of it in many small parts; nor numbers of all at
    # once: of code there are a hundred thousand pieces.
    content = bytearray()
    for first in range(0, len(pieces), _AT_ONCE):
        some = pieces[first : first + _AT_ONCE]
        around = Span(int(some[0, 0]), int(some[-1, 1]))
        if len(around) <= _CLOSE * len(some) and image.covers(around):
            content += _picked(array_of(image.read(around)), some - around.start)
        else:
            for start, end in some.tolist():
                content += image.read(Span(start, end))
    return bytes(content)


def _picked(data: Bytes, pieces: Edges) -> bytes:
    """The bytes of all pieces: of short ones much faster than one by one."""
    steps = np.zeros(len(data) + 1, np.int8)
    steps[pieces[:, 0]] += 1
    steps[pieces[:, 1]] -= 1
    return data[np.cumsum(steps[:-1], dtype=np.int8).view(np.bool_)].tobytes()


def _pieces(image: Image, changed: Edges) -> Edges:
    """The changed runs with some bytes around them, sorted and disjoint: rule 1.

    Less than `SHORTEST` on each side, so that every window holds a changed byte.
    """
    if not len(changed):
        return changed
    firsts, ends = changed[:, 0], changed[:, 1]
    segment_starts = np.array([segment.start for segment in image.segments], np.int64)
    segment_ends = np.array([segment.end for segment in image.segments], np.int64)
    # The last segment that begins at or before each run.
    segment = segment_starts.searchsorted(firsts, "right") - 1
    gaps = firsts[1:] - ends[:-1]
    apart = (gaps >= SHORTEST) | (segment[1:] != segment[:-1])
    begins = np.concatenate([[True], apart])
    stops = np.concatenate([apart, [True]])
    # Half a gap at most, or the surroundings of two pieces would overlap.
    margins = np.minimum(SHORTEST - 1, gaps[apart] // 2)
    # Runs with a short gap between them become one piece, from the first one's start to the last
    # one's end.
    firsts, ends = firsts[begins], ends[stops]
    firsts[1:] -= margins
    ends[:-1] += margins
    firsts[0] -= SHORTEST - 1
    ends[-1] += SHORTEST - 1
    # The surroundings end where the image does.
    firsts = np.maximum(firsts, segment_starts[segment[begins]])
    ends = np.minimum(ends, segment_ends[segment[stops]])
    return np.stack([firsts, ends], axis=1)
