"""Whole writes that went wrong, acted out on real content. Never imports memtool.

The chip's size, its old content and the file are given; each fault says what the module holds
afterwards. The old content is the file with an identity in it, or a wholly different one.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tests.core.health.faults_between_reads import in_pages, upper_kept
from tests.real_images import RealFile, cut_pieces

SIZES = (128, 256, 512, 1024, 2048, 4096, 8192, 16384, 32768, 65536)
"""Of the chips of the usual families up to 64 KiB."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Planted:
    """One write that went wrong."""

    cause: str
    """What happened, in words."""
    codes: tuple[str, ...]
    """Codes that name it; each other one is a wrong name."""
    old: bytes
    new: bytes
    got: bytes
    others: tuple[tuple[str, bytes], ...]


def _moved(new: bytes, by: int, fill: bytes) -> bytes:
    """All bytes `by` addresses higher (lower if negative); `fill` gives what runs in."""
    return fill[:by] + new[:-by] if by > 0 else new[-by:] + fill[by:]


def rich_pieces(files: Sequence[RealFile], size: int) -> tuple[bytes, ...]:
    """Pieces with content enough to tell what happened to them."""
    pieces = (piece.data for piece in cut_pieces(files, size))
    return tuple(piece for piece in pieces if len(set(piece)) >= 40)


def plant_writes(
    drawn: random.Random, rich: Sequence[bytes], size: int, page: int
) -> Iterator[Planted]:
    """One of each cause; `page` is the chip's own write page in bytes."""
    new, old, original, other = drawn.sample(rich, 4)
    if drawn.random() < 0.5:
        places = [drawn.randrange(size // 2), size - 20]
        cells = bytearray(new)
        for place in places:
            cells[place : place + 17] = bytes(
                drawn.choice(b"ABCDEFGH0123456789") for _ in range(17)
            )
        old = bytes(cells)
    older = bytearray(new)
    older[size // 4 : size // 4 + 24] = drawn.randbytes(24)
    smaller = other[: size // 2]
    others = (
        ("the original's image", original),
        ("an older file of this job", bytes(older)),
        ("the file of memory 'data-flash'", smaller),
    )
    by = drawn.choice([n for n in (1, 2, 3, 5, 7, 33, 100, size // 4 + 1) if n % page])
    swapped = bytes(new[index ^ 1] for index in range(size))
    acts: list[tuple[str, tuple[str, ...], bytes]] = [
        ("shifted up by a page", ("write-shifted",), _moved(new, page, b"\xff" * size)),
        ("shifted down by a page", ("write-shifted",), _moved(new, -page, b"\xff" * size)),
        ("shifted by a constant", ("write-shifted",), _moved(new, by, new[-by:] + new)),
        ("shifted back by a constant", ("write-shifted",), _moved(new, -by, b"\x00" * size)),
        ("swapped words", ("write-order",), swapped),
        ("the original's image", ("write-other-file",), original),
        ("an older file of this job", ("write-other-file",), bytes(older)),
        ("another memory's file", ("write-other-file",), smaller + old[len(smaller) :]),
        ("write protection", ("write-protected",), old),
        ("upper half unchanged", ("write-block-protected",), upper_kept(2)(drawn, old, new)),
        ("upper quarter unchanged", ("write-block-protected",), upper_kept(4)(drawn, old, new)),
        (
            "page wrap, twice the page",
            ("write-page-wrap",),
            in_pages(page, 2 * page)(drawn, old, new),
        ),
        ("page wrap, four times", ("write-page-wrap",), in_pages(page, 4 * page)(drawn, old, new)),
    ]
    for cause, codes, got in acts:
        if got != new:
            yield Planted(cause=cause, codes=codes, old=old, new=new, got=got, others=others)
