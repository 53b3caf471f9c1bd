"""The checksum that a value of several entries carries beside its record's own."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from memtool.core.checksums.algorithms import compute_value
from memtool.core.checksums.checksum import WhenBlanked
from memtool.core.layouts.record_rules import (
    Condition,
    Covered,
    Place,
    RecordChecksum,
    ValueRule,
)
from memtool.core.layouts.region import FieldType
from memtool.core.records.finding.rows import Rows, distinct
from memtool.core.records.finding.sums import RowSum
from memtool.lazy import np

_LENGTHS = ((2, FieldType.U16LE), (2, FieldType.U16BE), (1, FieldType.U8))
_FEWEST = 3
"""Values that must hold."""
_TRIED = 40


def find_value_sum(
    heads: Sequence[Rows], samples: Sequence[bytes], record: int, spans: int, own: RowSum
) -> tuple[ValueRule, RecordChecksum] | None:
    """Where a record says how long its value in the entries behind it is, and its checksum.

    Args:
        heads: The rows that begin records, of each image.
        samples: The images.
        record: Bytes of an entry.
        spans: The column that says how many entries a record takes.
        own: The record's own checksum; the value's is made the same way.
    """
    values = [
        (bytes(row), sample[int(start) + record : int(start) + record * int(row[spans])])
        for rows, sample in zip(heads, samples, strict=True)
        for row, start in zip(rows.data, rows.starts, strict=True)
        if row[spans] > 1
    ]
    if len(values) < _FEWEST:
        return None
    tried = values[:: max(1, len(values) // _TRIED)]
    for length in _lengths(tried, record):
        at = _field(tried, length, own)
        if at is None:
            continue
        where = _where(heads, spans)
        value = ValueRule(at=record, length=length, where=where)
        return value, RecordChecksum(
            algorithm=own.algorithm.name,
            covers=Covered.VALUE,
            at=at,
            size=len(own.field),
            byte_order=own.byte_order,
            when_blanked=WhenBlanked.REFRESH,
            where=where,
        )
    return None


def _lengths(tried: Sequence[tuple[bytes, bytes]], record: int) -> Iterator[Place]:
    """Numbers that end in the last entry of every value."""
    for size, kind in _LENGTHS:
        for at in range(record - size + 1):
            place = Place(at=at, type=kind, size=size)
            if all(
                # A value that took fewer entries would have been given fewer.
                len(value) - record < _number(head, place) <= len(value)
                for head, value in tried
            ):
                yield place


def _number(head: bytes, place: Place) -> int:
    return int.from_bytes(head[place.at : place.at + place.size], place.byte_order)


def _field(tried: Sequence[tuple[bytes, bytes]], length: Place, own: RowSum) -> int | None:
    size = len(own.field)
    wanted = [
        compute_value(own.algorithm, value[: _number(head, length)]).to_bytes(size, own.byte_order)
        for head, value in tried
    ]
    for at in range(len(tried[0][0]) - size + 1):
        held = sum(
            head[at : at + size] == each for (head, _), each in zip(tried, wanted, strict=True)
        )
        if held >= _FEWEST and held >= 0.9 * len(tried):
            return at
    return None


def _where(heads: Sequence[Rows], spans: int) -> Condition | None:
    """A byte that tells the records with such a value from the others."""
    rows = np.concatenate([each.data for each in heads if len(each.starts)])
    long = rows[:, spans] > 1
    for column in range(rows.shape[1]):
        if column == spans:
            continue
        with_value = distinct(rows[long][:, column])
        without = distinct(rows[~long][:, column])
        # Few values, and none of them in both kinds: a type, not something that happens to differ.
        if len(with_value) <= 4 and not with_value & without:
            place = Place(at=column, type=FieldType.U8, size=1)
            return Condition(place=place, values=tuple(sorted(with_value)))
    return None
