"""Which checksum the rows of a store carry: every algorithm at every place that looks random.

A store that a module keeps holds a checksum of one kind in every record, so a handful of rows
proves it: of 16 bits, four rows that hold are chance once in 2^64 for each combination tried.
Rows may be entries that go on with another one's value, so not all of them need to hold.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import cache, lru_cache
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.checksums.algorithms import (
    Algorithm,
    compute_value,
    list_algorithms,
    value_function,
    written_algorithm,
)
from memtool.core.checksums.sums import ByteOrder, Ending
from memtool.core.records.finding.rows import distinct
from memtool.core.span import Span, subtract_spans
from memtool.lazy import np

if TYPE_CHECKING:
    from memtool.core.records.finding.rows import Bytes

_WIDTHS = (1, 2, 4)
_SAMPLED = 96
"""Rows by which it is told which columns look random."""
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
    tried = [bytes(row) for row in _spread(different, _TRIED)]
    best: tuple[int, RowSum] | None = None
    for width, at in _fields(different):
        field = Span(at, at + width)
        needed = max(_NEEDED[width], len(tried) // 4)
        for covers in _coverings(field, rows.shape[1]):
            blocks, wanted = _telling(tried, covers, field)
            if len(blocks) < needed:
                continue
            for algorithm, compute in promising(width, blocks, wanted, _AT_ONCE):
                more = needed if best is None else max(needed, best[0] + 1)
                found = count_held(compute, blocks, wanted, needed=more)
                if found[0] >= more:
                    best = (found[0], RowSum(algorithm, covers, field, found[1]))
        if best is not None and best[0] >= 0.9 * len(tried):
            break
    return best[1] if best else None


def _telling(
    rows: Sequence[bytes], covers: Sequence[Span], field: Span
) -> tuple[list[bytes], list[tuple[int, int]]]:
    """What each row covers, and what it stores, read as big-endian and as little-endian.

    Each such pair once, since it holds twice by one chance; zeros that store zero not at all, since
    they hold under every sum and half of the CRCs.
    """
    parts = [slice(span.start, span.end) for span in covers]
    places = slice(field.start, field.end)
    pairs = {(b"".join([row[part] for part in parts]), row[places]): None for row in rows}
    pairs.pop((bytes(sum(map(len, covers))), bytes(len(field))), None)
    wanted = [(int.from_bytes(each, "big"), int.from_bytes(each, "little")) for _, each in pairs]
    return [block for block, _ in pairs], wanted


def _spread(rows: Bytes, count: int) -> Bytes:
    """So many of the rows, each far from those before it.

    Fibonacci hashing: D. Knuth, The Art of Computer Programming, volume 3, 6.4.
    """
    order = np.argsort(np.arange(1, len(rows) + 1, dtype=np.uint32) * np.uint32(2654435769))
    return rows[order[:count]]


def _fields(rows: Bytes) -> Iterator[tuple[int, int]]:
    """(width, place) of each run of columns that looks random, wide ones first."""
    sample = _spread(rows, _SAMPLED)
    random = [len(distinct(column)) >= _RANDOM * len(sample) for column in sample.T]
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
    functions = _functions(width)
    holding: set[int] = set()
    for block, numbers in zip(blocks[:at_once], wanted, strict=False):
        for compute, apart in _crc_families(width, len(block)):
            value = compute(block)
            for number in numbers:
                if value ^ number in apart:
                    holding.update(apart[value ^ number])
        holding.update(index for index in _no_crcs(width) if functions[index][1](block) in numbers)
    for index in sorted(holding):
        yield functions[index]


def count_held(
    compute: Callable[[bytes], int],
    blocks: Sequence[bytes],
    wanted: Sequence[tuple[int, int]],
    *,
    needed: int,
) -> tuple[int, ByteOrder]:
    """How many rows hold, in the byte order in which more do; see `promising`.

    Args:
        compute: The checksum.
        blocks: What it covers, row by row.
        wanted: What each row stores, read as big-endian and as little-endian.
        needed: Where so many cannot be reached, counting ends before the last row.
    """
    big = little = 0
    left = len(blocks)
    for block, (as_big, as_little) in zip(blocks, wanted, strict=True):
        value = compute(block)
        big += value == as_big
        little += value == as_little
        left -= 1
        if big + left < needed and little + left < needed:
            break
    return (little, "little") if little > big else (big, "big")


@cache
def _functions(width: int) -> tuple[tuple[Algorithm, Callable[[bytes], int]], ...]:
    return tuple((each, value_function(each)) for each in algorithms_of(width))


@cache
def _no_crcs(width: int) -> tuple[int, ...]:
    return tuple(at for at, (each, _) in enumerate(_functions(width)) if each.crc is None)


@lru_cache(maxsize=256)
def _crc_families(
    width: int, length: int
) -> tuple[tuple[Callable[[bytes], int], dict[int, list[int]]], ...]:
    """The CRCs that share polynomial and reflections: one to compute, how far apart all are.

    Start and end values of a linear code add a constant to it, so two of a family are as far apart
    over any block of so many bytes as over zeros. Most of `_functions` need not be computed.
    """
    functions = _functions(width)
    families: dict[tuple[int, bool, bool], list[int]] = {}
    for index, (algorithm, _) in enumerate(functions):
        if algorithm.crc is not None:
            alike = (algorithm.crc.poly, algorithm.crc.refin, algorithm.crc.refout)
            families.setdefault(alike, []).append(index)
    found = []
    for members in families.values():
        over_zeros = {index: functions[index][1](bytes(length)) for index in members}
        apart: dict[int, list[int]] = {}
        for index in members:
            apart.setdefault(over_zeros[index] ^ over_zeros[members[0]], []).append(index)
        found.append((functions[members[0]][1], apart))
    return tuple(found)


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
                    # Without its check value: nobody asks a search for it.
                    found.append(written_algorithm(changed))
    return tuple(found)
