"""Which checksum the rows of a store carry: every algorithm at every place that looks random.

A store that a module keeps holds a checksum of one kind in every record, so a handful of rows
proves it: of 16 bits, four rows that hold are chance once in 2^64 for each combination tried.
Rows may be entries that go on with another one's value, so not all of them need to hold.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import cache
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.checksums.algorithms import (
    Algorithm,
    compute_value,
    get_algorithm,
    list_algorithms,
    value_function,
)
from memtool.core.checksums.sums import ByteOrder, Ending
from memtool.core.checksums.written_crc import format_written_crc
from memtool.core.records.finding.rows import distinct
from memtool.core.span import Span, subtract_spans
from memtool.lazy import np

if TYPE_CHECKING:
    from memtool.core.records.finding.rows import Bytes

_WIDTHS = (1, 2, 4)
_TRIED = 14
"""Rows on which a combination is tried."""
_AT_ONCE = 5
"""Of which one must hold, or the combination is given up."""
_RANDOM = 0.35
"""Share of different values that a checksum's byte has at least, among different rows."""
_NEEDED = {1: 9, 2: 4, 4: 3}
"""Rows that must hold, by bytes of the checksum."""


class RowSum(NamedTuple):
    """A checksum that many rows carry."""

    algorithm: Algorithm
    covers: tuple[Span, ...]
    field: Span
    byte_order: ByteOrder

    def holds(self, row: bytes) -> bool:
        """Whether this row carries it."""
        block = b"".join(row[span.start : span.end] for span in self.covers)
        value = compute_value(self.algorithm, block)
        stored = row[self.field.start : self.field.end]
        return int.from_bytes(stored, self.byte_order) == value


def find_row_sum(rows: Bytes) -> RowSum | None:
    """The checksum that most of some rows carry; None where no combination explains them.

    Args:
        rows: Of one length, erased ones left out.
    """
    # A row that is there twice holds twice by one chance.
    ordered = sorted({bytes(row) for row in rows})
    if len(ordered) < max(_NEEDED.values()) // 2:
        return None
    different = np.frombuffer(b"".join(ordered), np.uint8).reshape(len(ordered), -1)
    # They are sorted: neighbours there have much in common and prove less.
    tried = [bytes(row) for row in _spread(different)]
    best: tuple[int, RowSum] | None = None
    for width, at in _fields(different):
        field = Span(at, at + width)
        needed = max(_NEEDED[width], len(tried) // 4)
        stored = [row[at : at + width] for row in tried]
        wanted = [(int.from_bytes(each, "big"), int.from_bytes(each, "little")) for each in stored]
        for covers in _coverings(field, rows.shape[1]):
            blocks = [b"".join(row[span.start : span.end] for span in covers) for row in tried]
            for algorithm, compute in promising(width, blocks, wanted, _AT_ONCE):
                found = count_held(compute, blocks, wanted)
                if found[0] >= needed and (best is None or found[0] > best[0]):
                    best = (found[0], RowSum(algorithm, covers, field, found[1]))
        if best is not None and best[0] >= 0.9 * len(tried):
            break
    return best[1] if best else None


def _spread(rows: Bytes) -> Bytes:
    """A few of the rows, in an order that has nothing to do with their content's."""
    # A fixed seed: the same image gives the same answer.
    order = np.random.default_rng(1).permutation(len(rows))[:_TRIED]
    return rows[order]


def _fields(rows: Bytes) -> Iterator[tuple[int, int]]:
    """(width, place) of each run of columns that looks random, wide ones first."""
    sample = rows[np.random.default_rng(2).permutation(len(rows))[:96]]
    most = min(len(sample), 200)
    random = [len(distinct(column)) >= _RANDOM * most for column in sample.T]
    for width in reversed(_WIDTHS):
        for at in range(rows.shape[1] - width + 1):
            if all(random[at : at + width]) and _is_usual(at, width, rows.shape[1]):
                yield width, at


def _is_usual(at: int, width: int, size: int) -> bool:
    """Whether checksums lie there: aligned, or for a single byte at one end."""
    if width == 1:
        return at in (0, 1, size - 2, size - 1)
    return at % width == 0 or at == size - width or (size - width - at) % width == 0


def _coverings(field: Span, size: int) -> Iterator[tuple[Span, ...]]:
    """What such a checksum may cover: all else, all else but the mark in front, one side."""
    whole = Span(0, size)
    found = [
        subtract_spans([whole], [field]),
        subtract_spans([Span(1, size)], [field]),
        *(() if field.start == 0 else ((Span(0, field.start),),)),
        *(() if field.start <= 1 else ((Span(1, field.start),),)),
        *(() if field.end == size else ((Span(field.end, size),),)),
    ]
    yield from dict.fromkeys(found)


def promising(
    width: int, blocks: Sequence[bytes], wanted: Sequence[tuple[int, int]], at_once: int
) -> Iterator[tuple[Algorithm, Callable[[bytes], int]]]:
    """Those of `algorithms_of` so many bytes of which one of the first rows holds.

    Args:
        width: Bytes of the checksum.
        blocks: What it covers, row by row.
        wanted: What each row stores, read as big-endian and as little-endian.
        at_once: Rows of which one must hold.
    """
    first = list(zip(blocks[:at_once], wanted, strict=False))
    for algorithm, compute in _functions(width):
        for block, numbers in first:
            if compute(block) in numbers:
                yield algorithm, compute
                break


def count_held(
    compute: Callable[[bytes], int], blocks: Sequence[bytes], wanted: Sequence[tuple[int, int]]
) -> tuple[int, ByteOrder]:
    """How many rows hold, in the byte order in which more do; see `promising`."""
    big = little = 0
    for block, (as_big, as_little) in zip(blocks, wanted, strict=True):
        value = compute(block)
        big += value == as_big
        little += value == as_little
    return (little, "little") if little > big else (big, "big")


@cache
def _functions(width: int) -> tuple[tuple[Algorithm, Callable[[bytes], int]], ...]:
    return tuple((each, value_function(each)) for each in algorithms_of(width))


@cache
def algorithms_of(width: int) -> tuple[Algorithm, ...]:
    """Those of so many bytes: the catalogue's and those with another start or end."""
    found = [
        algorithm
        for algorithm in list_algorithms()
        if algorithm.width == 8 * width
        and algorithm.ending is not Ending.TOTAL
        and algorithm.word_order is None
    ]
    # Compared without their check values, which follow from the rest.
    known = {each.crc._replace(check=0) for each in found if each.crc is not None}
    ones = (1 << 8 * width) - 1
    for algorithm in tuple(found):
        if algorithm.crc is None:
            continue
        for init in (0, ones):
            for xorout in (0, ones):
                changed = algorithm.crc._replace(init=init, xorout=xorout, check=0)
                if changed not in known:
                    known.add(changed)
                    # By the name a layout writes, so that what is found can be written down.
                    found.append(get_algorithm(format_written_crc(changed)))
    return tuple(found)
