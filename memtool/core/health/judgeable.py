"""Which questions a read has the evidence to answer, and why not the others.

A check that finds nothing has looked at something only where a fault would have shown. Rules,
for a read in which nothing was found:

1. Size: only against a chip or a layout. Without one, a read cut at another chip's size looks
   whole.
2. Address lines: a stuck line makes equal neighbours, so different filled blocks are needed.
   The topmost line is never judged: see `address_lines`.
3. Data lines: a bit that takes both values in the read is on no stuck line, and two bits that
   differ somewhere are on no shorted ones. A bit that never changes may be the content's own.
4. Order: whatever would be lost in another order must be there in this one: a VIN, a right
   field of the layout, words, or texts that end as they should.
5. Transfer: what a text program changes must be there unchanged (a byte over 7F; 0A without
   0D before it, 0D and 1A), or the size must be known to be right.
6. Erased regions need a layout; a new module must be said to be new.
"""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

from memtool.core.health.byte_order import ReadOrder, find_read_order
from memtool.core.health.evidence import Evidence

if TYPE_CHECKING:
    from collections.abc import Callable

_LEAST_FILLED = 16
_LEAST_VALUES = 4

NO_LAYOUT = "no layout"
NO_TEXT = "no VIN, word or layout to judge by"
LITTLE = "too little content"


def list_unjudged(evidence: Evidence) -> tuple[tuple[str, str], ...]:
    """(question, why it could not be answered) for every such question of `QUESTIONS`.

    An idle bus is told from content in every read that is not empty.
    """
    order = find_read_order(evidence)
    found = []
    for name, limit in _LIMITS:
        reason = limit(evidence, order)
        if reason is not None:
            found.append((name, reason))
    return tuple(found)


def _size(evidence: Evidence, _: ReadOrder) -> str | None:
    known = evidence.chip is not None or evidence.layout is not None
    return None if known else "no chip given"


def _address_lines(evidence: Evidence, _: ReadOrder) -> str | None:
    if len(evidence.image.segments) != 1:
        return "the read has gaps"
    if evidence.size & (evidence.size - 1):
        return "the size is no power of two"
    few = evidence.distinct < _LEAST_VALUES or evidence.filled < _LEAST_FILLED
    return LITTLE if few else None


def _stuck_lines(evidence: Evidence, _: ReadOrder) -> str | None:
    values = _values(evidence)
    still = [bit for bit in range(8) if len({value >> bit & 1 for value in values}) == 1]
    return f"{_bits(still)} never changes here, which may be the content itself" if still else None


def _shorted_lines(evidence: Evidence, _: ReadOrder) -> str | None:
    values = _values(evidence)
    equal = any(
        all((value >> low ^ value >> high) & 1 == 0 for value in values)
        for low, high in combinations(range(8), 2)
    )
    return LITTLE if equal else None


def _bit_order(_: Evidence, order: ReadOrder) -> str | None:
    return None if order.bits else NO_TEXT


def _byte_order(_: Evidence, order: ReadOrder) -> str | None:
    return None if order.bytes_in_words else NO_TEXT


def _start(_: Evidence, order: ReadOrder) -> str | None:
    return None if order.start else "no layout with a VIN or checksum that is right"


def _transfer(evidence: Evidence, _: ReadOrder) -> str | None:
    if not int(evidence.counts[0x80:].sum()):
        return "no byte above 7F that it would have changed"
    if evidence.size_is_known:
        return None
    data = evidence.data
    alone = bool(((data[1:] == 0x0A) & (data[:-1] != 0x0D)).any())
    marks = alone and bool(evidence.counts[0x0D]) and bool(evidence.counts[0x1A])
    return None if marks else "no chip given, and no line ends that it would have changed"


def _erased(evidence: Evidence, _: ReadOrder) -> str | None:
    return None if evidence.layout is not None else NO_LAYOUT


def _new(evidence: Evidence, _: ReadOrder) -> str | None:
    return None if evidence.claimed_new else "not said to be new with --new"


def _values(evidence: Evidence) -> list[int]:
    return [value for value in range(256) if evidence.counts[value]]


def _bits(still: list[int]) -> str:
    return f"bit {still[0]}" if len(still) == 1 else f"one of bits {', '.join(map(str, still))}"


_LIMITS: tuple[tuple[str, Callable[[Evidence, ReadOrder], str | None]], ...] = (
    ("size", _size),
    ("address lines below the topmost", _address_lines),
    ("data lines stuck", _stuck_lines),
    ("data lines shorted", _shorted_lines),
    ("data lines crossed or bits reordered", _bit_order),
    ("order of bytes in words", _byte_order),
    ("bytes added or lost at the start", _start),
    ("transfer as text", _transfer),
    ("erased regions", _erased),
    ("identity in a new module", _new),
)

QUESTIONS: tuple[str, ...] = ("idle bus", *(name for name, _ in _LIMITS))
"""What a read is asked, in words for one line."""
