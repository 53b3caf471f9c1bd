"""From rows that begin records to the rules of the store."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from memtool.core.checksums.checksum import WhenBlanked
from memtool.core.layouts.record_rules import (
    Counts,
    LengthRule,
    MarkRule,
    NewestBy,
    NewestRule,
    PageRules,
    PageState,
    Place,
    RecordChecksum,
    RecordRules,
    ValueRule,
)
from memtool.core.layouts.region import FieldType
from memtool.core.records.finding.header_sums import find_header_sum
from memtool.core.records.finding.keys import find_key, find_mark, find_number
from memtool.core.records.finding.pages import (
    Entry,
    Paging,
    find_marks,
    find_paging,
    find_sequence,
)
from memtool.core.records.finding.rows import Rows, distinct
from memtool.core.records.finding.sums import RowSum
from memtool.core.records.finding.values import find_value_sum
from memtool.core.span import Span
from memtool.lazy import np

_STEADY = 0.95
_SPANS_FROM = 0.02
"""Share of records of several entries from which on these are looked for."""


class Heads(NamedTuple):
    """The rows that begin records."""

    record: int
    rows: tuple[Rows, ...]
    """Of each image."""
    sum: RowSum | None


def describe(heads: Heads, samples: Sequence[bytes], span: Span, erased: int) -> RecordRules | None:
    """The rules of the store; None where no key shows."""
    modules = [rows.data for rows in heads.rows if len(rows.starts)]
    if not modules:
        return None
    # Each step takes its columns away from the next: checksum, entries, number, key, mark; what is
    # left is the value.
    taken = [] if heads.sum is None else list(range(heads.sum.field.start, heads.sum.field.end))
    spans = _span_column(heads)
    taken += [] if spans is None else [spans]
    number = find_number(modules, without=taken)
    taken += [] if number is None else list(range(number.at, number.at + number.size))
    key = find_key(modules, without=taken)
    if key is None:
        return None
    largest = max(heads.rows, key=lambda rows: len(rows.starts))
    keys = [bytes(row) for row in largest.data[:, list(key.columns)]]
    mark = None
    if number is None:
        # With a number the newest is known, and a mark would say it twice.
        mark = find_mark(largest.data, keys, without=[*taken, *key.columns])
    taken += [*key.columns, *([] if mark is None else [mark.at])]
    paging = find_paging(samples, [rows.starts for rows in heads.rows], erased)
    page = None if paging is None else _page(heads, paging, samples, key.columns, erased)
    value = _value(modules, taken, heads.record, spans is not None)
    checksums = () if heads.sum is None else (_checksum(heads.sum),)
    if spans is not None and heads.sum is not None:
        found = find_value_sum(heads.rows, samples, heads.record, spans, heads.sum)
        if found is not None:
            value, more = found
            checksums = (*checksums, more)
    return RecordRules(
        name="records",
        span=_whole_pages(span, paging),
        record=heads.record,
        length=None
        if spans is None
        else LengthRule(place=Place(at=spans, type=FieldType.U8, size=1), counts=Counts.ENTRIES),
        key=_places(key.columns, modules),
        newest=NewestRule(by=NewestBy.POSITION)
        if number is None
        else NewestRule(by=NewestBy.HIGHEST, place=number),
        mark=None
        if mark is None
        else MarkRule(place=mark, valid=(_last_mark(largest, keys, mark),)),
        value=value,
        checksums=checksums,
        page=page,
    )


def _whole_pages(span: Span, paging: Paging | None) -> Span:
    if paging is None or paging.size > len(span):
        return span
    return Span(span.start, span.end - len(span) % paging.size)


def _last_mark(rows: Rows, keys: Sequence[bytes], mark: Place) -> int:
    # A later row of the same key takes the place of the one before.
    last = {key: number for number, key in enumerate(keys)}
    # Any key will do: `find_mark` asked for one value in the last rows of all.
    return int(rows.data[next(iter(last.values())), mark.at])


def _span_column(heads: Heads) -> int | None:
    """The byte that says how many entries a record takes; None where all take one."""
    distances, rows = [], []
    for each in heads.rows:
        if len(each.starts) < 2:
            continue
        # How many entries lie between two records that begin one behind the other.
        distances.append(np.diff(each.starts) // heads.record)
        rows.append(each.data[:-1])
    if not distances:
        return None
    apart, data = np.concatenate(distances), np.concatenate(rows)
    if float((apart > 1).mean()) < _SPANS_FROM:
        return None
    for column in range(heads.record):
        # The last record of a page is followed by the next page's header.
        if (
            float((data[:, column] == apart).mean()) >= _STEADY
            and len(distinct(data[:, column])) > 1
        ):
            return column
    return None


def _checksum(found: RowSum) -> RecordChecksum:
    return RecordChecksum(
        algorithm=found.algorithm.name,
        covers=found.covers,
        at=found.field.start,
        size=len(found.field),
        byte_order=found.byte_order,
        when_blanked=WhenBlanked.REFRESH,
    )


def _value(
    modules: Sequence[object], taken: Sequence[int], record: int, goes_on: bool
) -> ValueRule | None:
    """The longest run of columns that are nothing else."""
    best: tuple[int, int] = (0, 0)
    start = 0
    # One column more than there are, so that the last run ends too.
    for column in range(record + 1):
        if column < record and column not in taken:
            continue
        # The longest; of equals the first.
        best = max(best, (column - start, -start))
        start = column + 1
    length, at = best[0], -best[1]
    if not length:
        return None
    to_end = goes_on and at + length == record
    return ValueRule(at=at, size=None if to_end else length)


def _places(columns: Sequence[int], modules: Sequence[np.ndarray]) -> tuple[Place, ...]:
    """Key columns as fields: long runs as bytes, pairs and fours as numbers."""
    runs: list[list[int]] = []
    for column in columns:
        if runs and column == runs[-1][-1] + 1:
            runs[-1].append(column)
        else:
            runs.append([column])
    places = []
    for run in runs:
        rows = np.concatenate([module[:, run[0] : run[-1] + 1] for module in modules])
        places.append(_place(run, rows))
    return tuple(places)


def _place(run: Sequence[int], rows: np.ndarray) -> Place:
    numbers = {1: FieldType.U8, 2: FieldType.U16LE}
    if len(run) in numbers:
        return Place(at=run[0], type=numbers[len(run)], size=len(run))
    text = rows[rows != 0]
    printable = bool(len(text)) and bool(((text >= 0x20) & (text < 0x7F)).all())
    kind = FieldType.ASCII if printable else FieldType.BYTES
    return Place(at=run[0], type=kind, size=len(run))


def _page(
    heads: Heads, paging: Paging, samples: Sequence[bytes], key: Sequence[int], erased: int
) -> PageRules:
    headers: list[list[bytes]] = []
    for sample in samples:
        pages = range(0, len(sample) - paging.size + 1, paging.size)
        headers.append(
            [
                sample[page : page + paging.header]
                for page in pages
                if sample[page : page + paging.header].count(erased) < paging.header
            ]
        )
    sequence = find_sequence(headers)
    per_page = (paging.size - paging.header) // heads.record
    entries = [
        entry
        for rows, sample in zip(heads.rows, samples, strict=True)
        for entry in _entries(rows, sample, paging, heads.record, key, erased)
    ]
    return PageRules(
        size=paging.size,
        header=paging.header,
        sequence=sequence,
        state=None if sequence is not None else _state(samples, paging, erased),
        marks=find_marks(entries, paging.header, per_page),
        checksum=find_header_sum([each for image in headers for each in image]),
    )


def _entries(
    rows: Rows, sample: bytes, paging: Paging, record: int, key: Sequence[int], erased: int
) -> list[Entry]:
    """The entries of the sample's pages that are in use, each with what it is."""
    found = []
    names = [bytes(row) for row in rows.data[:, list(key)]]
    last = {name: int(start) for name, start in zip(names, rows.starts, strict=True)}
    lasts = set(last.values())
    blank = bytes([erased])
    for page in range(0, len(sample) - paging.size + 1, paging.size):
        content = sample[page : page + paging.size]
        header = content[: paging.header]
        if header == blank * paging.header:
            continue
        used_end = len(content.rstrip(blank))
        for number in range((paging.size - paging.header) // record):
            # Free entries are wanted as well: a bitmap must tell them from used ones.
            at = paging.header + number * record
            found.append(Entry(header, number, at < used_end, page + at in lasts))
    return found


def _state(samples: Sequence[bytes], paging: Paging, erased: int) -> PageState | None:
    """What tells a full page from the one that is written now, where both are in use."""
    for size, kind in ((2, FieldType.U16LE), (1, FieldType.U8)):
        for at in range(0, paging.header - size + 1, size):
            full: set[int] = set()
            open_: set[int] = set()
            single: set[int] = set()
            for sample in samples:
                states = _page_states(sample, paging, at, size, erased)
                # A page alone may be the one or the other: it may not contradict, and proves
                # nothing.
                if len(states) < 2:
                    single |= {state for state, _ in states}
                    continue
                full |= {state for state, has_room in states if not has_room}
                open_ |= {state for state, has_room in states if has_room}
            if len(full) == 1 and len(open_) == 1 and full != open_ and single <= full | open_:
                place = Place(at=at, type=kind, size=size)
                return PageState(place=place, valid=(*full, *open_))
    return None


def _page_states(
    sample: bytes, paging: Paging, at: int, size: int, erased: int
) -> list[tuple[int, bool]]:
    blank = bytes([erased])
    found = []
    for page in range(0, len(sample) - paging.size + 1, paging.size):
        content = sample[page : page + paging.size]
        if content.strip(blank):
            state = int.from_bytes(content[at : at + size], "little")
            found.append((state, content.endswith(blank * 4)))
    return found
