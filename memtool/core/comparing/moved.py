"""Blocks that stand in both images, but at different addresses.

Rules
-----
1. Only changed content counts: a block holds bytes that differ, or that one image alone
   defines, and at most 15 unchanged ones in a row. So a copy that stood in its place all the
   time is not called moved.
2. A block has at least `SHORTEST` bytes, and constant runs at its ends are not counted. Filler
   (one byte, or two or four in turn) is no block: it stands everywhere.
3. Blocks of A are taken by address, each at the place in B where it goes on longest. A byte
   belongs to one block at most, on either side.

How: every window of `SHORTEST` bytes gets a 64-bit key by arithmetic on whole arrays, the keys
of B are sorted, those of A looked up. Keys only propose; bytes are compared.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from memtool.core.image import Image
from memtool.core.reads.runs import array_of
from memtool.core.span import Span

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from memtool.core.reads.runs import Bytes, Mask

    Numbers = NDArray[np.int64]
    Keys = NDArray[np.uint64]

SHORTEST = 16
"""Bytes of the shortest block."""
_STEPS = (0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0xD6E8FEB86659FD93, 0xFF51AFD7ED558CCD)
"""Odd factors, one each time the window doubles: 1, 2, 4, 8, 16 bytes."""
_BUSY = 4
"""How many bytes of a window must differ from the one before, and from the 2nd and 4th before."""
_SHORT_KEY = 22
"""Bits of a key that are looked at first."""
_PLACES = 16
"""How many places in B are tried for one block."""
_LONG_CONSTANT = 4
"""Equal bytes at a block's end that are taken for filler."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MovedBlock:
    """The same bytes at two addresses."""

    a_start: int
    """Address in the first image."""
    b_start: int
    """Address in the second image."""
    length: int
    """Bytes."""


def find_moved_blocks(
    a: Image, b: Image, *, changed_a: Sequence[Span], changed_b: Sequence[Span]
) -> tuple[MovedBlock, ...]:
    """Blocks of `a` that stand elsewhere in `b`, by their address in `a`.

    Args:
        a: The first image.
        b: The second image.
        changed_a: Spans of `a` that `b` does not hold in the same place; sorted, disjoint.
        changed_b: The same of `b`.
    """
    from_a, from_b = _Changed.of(a, changed_a), _Changed.of(b, changed_b)
    if from_a is None or from_b is None:
        return ()
    return tuple(_Search(from_a, from_b).run())


@dataclass(frozen=True, slots=True)
class _Changed:
    """The changed pieces of one image and what is around them, joined to one array."""

    data: Bytes
    starts: Numbers
    """Index of each piece's first byte, and the length of `data` behind them."""
    addresses: Numbers
    """Address of each piece's first byte."""

    @classmethod
    def of(cls, image: Image, changed: Sequence[Span]) -> _Changed | None:
        """None where no piece is long enough for a block."""
        import numpy as np

        pieces = [span for span in _pieces(image, changed) if len(span) >= SHORTEST]
        if not pieces:
            return None
        lengths = [len(span) for span in pieces]
        return cls(
            array_of(b"".join(image.read(span) for span in pieces)),
            np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64),
            np.array([span.start for span in pieces], np.int64),
        )

    def piece_of(self, index: int) -> tuple[int, int]:
        """First index and end index of the piece that `index` lies in."""
        piece = int(self.starts.searchsorted(index, "right")) - 1
        return int(self.starts[piece]), int(self.starts[piece + 1])

    def address_of(self, index: int) -> int:
        """The image's address of the byte at `index`."""
        piece = int(self.starts.searchsorted(index, "right")) - 1
        return int(self.addresses[piece] + index - self.starts[piece])

    def windows(self) -> tuple[Numbers, Keys]:
        """Index and key of every window that is no filler."""
        import numpy as np

        keys = self.data.astype(np.uint64)
        width = 1
        for factor in _STEPS:
            keys = keys[:-width] * np.uint64(factor) + keys[width:]
            width *= 2
        # A window across the border of two pieces proposes nothing that holds: blocks end there.
        indexes = np.flatnonzero(_busy_windows(self.data))
        return indexes, keys[indexes]


class _Search:
    """One pass over the windows of A."""

    def __init__(self, a: _Changed, b: _Changed) -> None:
        import numpy as np

        self.a, self.b = a, b
        indexes, keys = a.windows()
        b_indexes, b_keys = b.windows()
        indexes, keys = _only_shared(indexes, keys, b_keys)
        b_indexes, b_keys = _only_shared(b_indexes, b_keys, keys)
        order = np.argsort(b_keys)
        self.b_keys = b_keys[order]
        if (self.b_keys[1:] == self.b_keys[:-1]).any():
            # Equal keys by address, so that the same places are tried everywhere; takes longer.
            order = np.argsort(b_keys, kind="stable")
        self.b_indexes = b_indexes[order]
        # Looked up in sorted order, which is many times as fast as in the order of A.
        by_key = np.argsort(keys)
        first = np.empty(len(keys), np.int64)
        first[by_key] = self.b_keys.searchsorted(keys[by_key], "left")
        found = first < len(self.b_keys)
        found[found] = self.b_keys[first[found]] == keys[found]
        self.a_indexes, self.first = indexes[found], first[found]
        self.taken: Mask = np.zeros(len(b.data), np.bool_)
        self.a_done = 0

    def run(self) -> list[MovedBlock]:
        """All blocks."""
        blocks: list[MovedBlock] = []
        number = 0
        while number < len(self.a_indexes):
            block = self._longest_at(number)
            if block is None:
                number += 1
                continue
            a_index, b_index, length = block
            self.taken[b_index : b_index + length] = True
            self.a_done = a_index + length
            blocks.append(
                MovedBlock(
                    a_start=self.a.address_of(a_index),
                    b_start=self.b.address_of(b_index),
                    length=length,
                )
            )
            number = int(self.a_indexes.searchsorted(self.a_done, "left"))
        return blocks

    def _longest_at(self, number: int) -> tuple[int, int, int] | None:
        """The longest block through one window of A: index in A, index in B, length."""
        a_index = int(self.a_indexes[number])
        first = int(self.first[number])
        near = slice(first, first + _PLACES)
        places = self.b_indexes[near][self.b_keys[near] == self.b_keys[first]]
        blocks = [self._grown(a_index, int(b_index)) for b_index in places]
        best = max((block for block in blocks if block), key=lambda block: block[2], default=None)
        return best if best is not None and best[2] >= SHORTEST else None

    def _grown(self, a_index: int, b_index: int) -> tuple[int, int, int] | None:
        """The block through two windows, grown to both sides, without filler at its ends."""
        a_first, a_end = self.a.piece_of(a_index)
        b_first, b_end = self.b.piece_of(b_index)
        room = min(a_end - a_index, b_end - b_index)
        after = _equal_bytes(
            self.a.data[a_index : a_index + room], self.b.data[b_index : b_index + room]
        )
        after = _count_free(self.taken[b_index : b_index + after])
        if after < SHORTEST:
            return None
        room = min(a_index - max(a_first, self.a_done), b_index - b_first)
        before = _equal_bytes(
            self.a.data[a_index - room : a_index][::-1], self.b.data[b_index - room : b_index][::-1]
        )
        before = _count_free(self.taken[b_index - before : b_index][::-1])
        start, end = _without_filler(self.a.data, a_index - before, a_index + after)
        return start, b_index + start - a_index, end - start


def _pieces(image: Image, changed: Sequence[Span]) -> list[Span]:
    """The changed spans with some bytes around them, sorted and disjoint: rule 1.

    Less than `SHORTEST` on each side, so that every window holds a changed byte.
    """
    import numpy as np

    if not changed:
        return []
    firsts = np.array([span.start for span in changed], np.int64)
    ends = np.array([span.end for span in changed], np.int64)
    segment_starts = np.array([segment.start for segment in image.segments], np.int64)
    segment_ends = np.array([segment.end for segment in image.segments], np.int64)
    segment = segment_starts.searchsorted(firsts, "right") - 1
    gaps = firsts[1:] - ends[:-1]
    apart = (gaps >= SHORTEST) | (segment[1:] != segment[:-1])
    begins = np.concatenate([[True], apart])
    stops = np.concatenate([apart, [True]])
    # Half a gap at most, or the surroundings of two pieces would overlap.
    margins = np.minimum(SHORTEST - 1, gaps[apart] // 2)
    firsts, ends = firsts[begins], ends[stops]
    firsts[1:] -= margins
    ends[:-1] += margins
    firsts[0] -= SHORTEST - 1
    ends[-1] += SHORTEST - 1
    firsts = np.maximum(firsts, segment_starts[segment[begins]])
    ends = np.minimum(ends, segment_ends[segment[stops]])
    return [Span(first, end) for first, end in zip(firsts.tolist(), ends.tolist(), strict=True)]


def _only_shared(indexes: Numbers, keys: Keys, others: Keys) -> tuple[Numbers, Keys]:
    """Leave out most windows whose key is not among `others`, before anything is sorted."""
    import numpy as np

    short = np.uint64(64 - _SHORT_KEY)
    present = np.zeros(1 << _SHORT_KEY, np.bool_)
    present[others >> short] = True
    kept = present[keys >> short]
    return indexes[kept], keys[kept]


def _busy_windows(data: Bytes) -> Mask:
    """For each window of `data`, whether it is more than filler."""
    import numpy as np

    busy = np.ones(len(data) - SHORTEST + 1, np.bool_)
    for distance in (1, 2, 4):
        # The sums run over at 256; their differences are 16 at most and stay right.
        changes = np.zeros(len(data) - distance + 1, np.uint8)
        np.cumsum(data[distance:] != data[:-distance], dtype=np.uint8, out=changes[1:])
        inside = SHORTEST - distance
        busy &= changes[inside : inside + len(busy)] - changes[: len(busy)] >= _BUSY
    return busy


def _equal_bytes(one: Bytes, two: Bytes) -> int:
    """How many bytes are equal from the start on; compared in steps that grow."""
    done, step = 0, 64
    while done < len(one):
        unequal = one[done : done + step] != two[done : done + step]
        if unequal.any():
            return done + int(unequal.argmax())
        done, step = done + step, step * 4
    return len(one)


def _count_free(taken: Mask) -> int:
    """How many places are free from the start on."""
    return int(taken.argmax()) if taken.any() else len(taken)


def _without_filler(data: Bytes, start: int, end: int) -> tuple[int, int]:
    """`start` and `end` moved inwards over constant runs."""
    run = _equal_bytes(data[start : end - 1], data[start + 1 : end]) + 1
    start += run if run >= _LONG_CONSTANT else 0
    backwards = data[start:end][::-1]
    run = _equal_bytes(backwards[:-1], backwards[1:]) + 1
    return start, end - (run if run >= _LONG_CONSTANT else 0)
