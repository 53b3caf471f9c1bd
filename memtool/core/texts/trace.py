"""The bytes, and in packed forms the bits, of an image that a stored text occupies."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from memtool.core.image import Image
from memtool.core.span import Span, spans_of_addresses


class Trace(NamedTuple):
    """Where a text lies, foreign bytes between its characters left out."""

    pieces: tuple[Span, ...]
    """The runs of bytes that carry the text: sorted, disjoint, never adjacent."""
    mask: bytes
    """One for each byte of `pieces`, in order: its bits that carry the text, 0xFF for all."""

    @property
    def span(self) -> Span:
        """From the first to the last byte, foreign bytes included."""
        return Span(self.pieces[0].start, self.pieces[-1].end)

    def cells(self) -> Iterator[tuple[int, int]]:
        """(address, mask) of each byte, in order of addresses."""
        addresses = (address for piece in self.pieces for address in range(piece.start, piece.end))
        return zip(addresses, self.mask, strict=True)


def make_trace(cells: Iterable[tuple[int, int]]) -> Trace:
    """From (address, mask) in any order, each address once; masks of 0 are left out.

    Raises:
        ValueError: no bit is occupied.
    """
    occupied = sorted((address, mask) for address, mask in cells if mask)
    if not occupied:
        raise ValueError("a trace occupies at least one bit")
    first, end = occupied[0][0], occupied[-1][0] + 1
    return Trace(
        # Most texts lie in one piece, and are made by the thousand.
        pieces=(Span(first, end),)
        if end - first == len(occupied)
        else spans_of_addresses(address for address, _ in occupied),
        mask=bytes(mask for _, mask in occupied),
    )


def plan_erase_trace(image: Image, trace: Trace, fill: int) -> tuple[tuple[int, bytes], ...]:
    """The (address, bytes) edits that put the byte `fill` over the text and nothing else.

    Foreign bytes between the characters keep their values, and so do foreign bits of bytes
    that a packed text shares with its neighbours.

    Raises:
        ValueError: `fill` is no byte, or the trace is not inside the image.
    """
    if not 0 <= fill <= 0xFF:
        raise ValueError(f"not a byte: {fill}")
    edits: list[tuple[int, bytes]] = []
    used = 0
    for piece in trace.pieces:
        masks = trace.mask[used : used + len(piece)]
        used += len(piece)
        old = image.read(piece)
        new = bytes(o & ~m & 0xFF | fill & m for o, m in zip(old, masks, strict=True))
        edits.append((piece.start, new))
    return tuple(edits)
