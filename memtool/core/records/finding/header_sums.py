"""Which checksum the headers of a store's pages carry.

Headers are few, so all of them must hold, and there must be so many different ones that the
combinations tried do not explain it: with some 20,000 of them (2^14), 40 bits that hold leave a
chance of one in 2^26.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from memtool.core.checksums.algorithms import value_function
from memtool.core.checksums.checksum import WhenBlanked
from memtool.core.checksums.sums import ByteOrder
from memtool.core.layouts.record_rules import RecordChecksum
from memtool.core.records.finding.sums import algorithms_of
from memtool.core.span import Span

_LONGEST = 64
"""Bytes of a header that are looked at."""
_BITS = 40
"""That must hold in all different headers together."""
_STARTS = (0, 1, 2, 4, 8)
"""Where the block begins: behind a state or mark that changes later."""


def find_header_sum(headers: Sequence[bytes]) -> RecordChecksum | None:
    """The checksum that all headers carry; None where nothing explains them.

    Args:
        headers: Of pages in use, of one length, from all images.
    """
    different = list(dict.fromkeys(header[:_LONGEST] for header in headers))
    if len(different) < 2:
        return None
    for width in (4, 2, 1):
        for at in _fields(different, width):
            for covers in _coverings(at, width, len(different[0])):
                found = _try(different, width, at, covers)
                if found is not None:
                    return found
    return None


def _fields(headers: Sequence[bytes], width: int) -> Iterator[int]:
    """Where the value may be stored: aligned, or at the end, and not the same in all headers."""
    length = len(headers[0])
    for at in range(length - width + 1):
        if at % width and at != length - width:
            continue
        if len({header[at : at + width] for header in headers}) > 1:
            yield at


def _coverings(at: int, width: int, length: int) -> Iterator[Span]:
    """What it may cover: all in front of it, or all behind it."""
    for start in _STARTS:
        if start + width <= at:
            yield Span(start, at)
    if at + 2 * width <= length:
        yield Span(at + width, length)


def _try(headers: Sequence[bytes], width: int, at: int, covers: Span) -> RecordChecksum | None:
    pairs = dict.fromkeys(
        (header[covers.start : covers.end], header[at : at + width]) for header in headers
    )
    if 8 * width * len(pairs) < _BITS:
        return None
    blocks = [block for block, _ in pairs]
    orders: tuple[ByteOrder, ...] = ("big", "little") if width > 1 else ("big",)
    for algorithm in algorithms_of(width):
        compute = value_function(algorithm)
        # One header rules nearly every algorithm out.
        first = compute(blocks[0])
        for order in orders:
            stored = [int.from_bytes(value, order) for _, value in pairs]
            if stored[0] == first and all(
                compute(block) == value for block, value in zip(blocks[1:], stored[1:], strict=True)
            ):
                return RecordChecksum(
                    algorithm=algorithm.name,
                    covers=(covers,),
                    at=at,
                    size=width,
                    byte_order=order,
                    when_blanked=WhenBlanked.REFRESH,
                )
    return None
