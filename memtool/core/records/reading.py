"""Reads a store of records by its rules. Pure: no content makes it raise.

1. A page whose state is none of the valid ones is walked all the same: its records do not
   count, but what they hold is there.
2. An entry that is erased throughout is no record; where nothing but erased bytes follows,
   free space begins. A length that does not fit makes one entry of its own, or ends the page
   where records have no fixed entries.
3. A record that is marked as withdrawn, or whose checksum does not hold, never counts.
4. Numbers that tell the newest wrap around at their width: of two that are more than half the
   range apart, the smaller one is newer.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from memtool.core.checksums.algorithms import compute_value, get_algorithm
from memtool.core.image import Image
from memtool.core.layouts.record_rules import (
    BitMarks,
    Condition,
    Counts,
    Covered,
    Key,
    KeyPart,
    NewestBy,
    PageRules,
    Place,
    RecordChecksum,
    RecordRules,
)
from memtool.core.layouts.region import FieldType
from memtool.core.records.store import (
    PlacedChecksum,
    RecordStore,
    Standing,
    StoredPage,
    StoredRecord,
)
from memtool.core.span import Span, subtract_spans


def read_store(image: Image, rules: RecordRules, *, erased: int = 0xFF) -> RecordStore:
    """What lies in the store that `rules` describe.

    Args:
        image: Pages that it does not define wholly are left out.
        rules: As a layout has them.
        erased: The chip's erased byte.
    """
    pages = [
        _Page(image.read(span), span, rules, erased)
        for span in _page_spans(rules)
        if image.covers(span)
    ]
    # Of equal ranks, pages without numbers or states, the later address is newer.
    by_age = sorted(pages, key=lambda page: (page.rank, page.span.start))
    rows = [row for page in by_age for row in page.rows()]
    return RecordStore(
        rules=rules, pages=tuple(page.page for page in pages), records=_judge(rows, rules)
    )


def _page_spans(rules: RecordRules) -> Iterator[Span]:
    size = rules.page.size if rules.page else len(rules.span)
    for start in range(rules.span.start, rules.span.end - size + 1, size):
        yield Span(start, start + size)


@dataclass(frozen=True, slots=True)
class _Row:
    """A record before it is known which one of its key counts."""

    record: StoredRecord
    counts: bool
    number: int
    """What tells the newest, with `NewestBy.HIGHEST`."""


class _Page:
    """One page while it is read."""

    def __init__(self, data: bytes, span: Span, rules: RecordRules, erased: int) -> None:
        self.span = span
        self._data = data
        self._rules = rules
        self._layout = rules.page or PageRules(size=len(data))
        self._blank = bytes([erased])
        self._used_end = len(data.rstrip(self._blank))
        self._free: Span | None = None
        state = self._layout.state
        self._state = None if state is None else read_number(data, state.place)
        self.in_use = self._used_end > 0 and (
            state is None or (self._state is not None and self._state in state.valid)
        )
        # Needs what is set above it, and finds where free space begins: `page` comes after it.
        self._rows = self._walk()
        checksum = self._layout.checksum
        self.page = StoredPage(
            span=span,
            sequence=self.sequence,
            in_use=self.in_use,
            free=self._free,
            checksum=None
            if checksum is None or not self.in_use
            else place_checksum(data, span.start, 0, len(data), None, checksum),
        )

    @property
    def sequence(self) -> int | None:
        place = self._layout.sequence
        return None if place is None or not self.in_use else read_number(self._data, place)

    @property
    def rank(self) -> tuple[int, int]:
        """Older pages have lower ones; those that do not count come first."""
        if not self.in_use:
            return (-1, 0)
        if self.sequence is not None:
            return (self.sequence, 0)
        state = self._layout.state
        return (0 if state is None or self._state is None else state.valid.index(self._state), 0)

    def rows(self) -> list[_Row]:
        return self._rows

    def _walk(self) -> list[_Row]:
        rows: list[_Row] = []
        # Without fixed entries each byte may begin a record.
        offset, step = self._layout.header, self._rules.record or 1
        size = len(self._data)
        while offset + step <= size:
            if offset >= self._used_end and not self._is_marked(offset):
                self._free = Span(self.span.start + offset, self.span.end)
                break
            # Erased between used ones: an entry that was skipped, not the end.
            if self._data[offset : offset + step] == self._blank * step and self._rules.record:
                offset += step
                continue
            length = self._length_at(offset)
            if length is None:
                if self._rules.record is None:
                    break
                length = step
            rows.append(self._row(offset, length))
            offset += length
            align = self._rules.length.align if self._rules.length else 1
            # Up to the next multiple: the remainder of a negative number is positive in Python.
            offset += -(offset - self._layout.header) % align
        return rows

    def _is_marked(self, offset: int) -> bool:
        """Whether an entry in erased space was taken all the same; its value may be erased."""
        marks = self._layout.marks
        return marks is not None and self._bits_at(offset, marks) != marks.free

    def _bits_at(self, offset: int, marks: BitMarks) -> int:
        place = (offset - self._layout.header) // (self._rules.record or 1) * marks.bits
        byte = self._data[marks.at + place // 8]
        # Entries count from the low bit of a byte.
        return byte >> place % 8 & (1 << marks.bits) - 1

    def _length_at(self, offset: int) -> int | None:
        """Bytes of the record; None where its length does not fit into the page."""
        rule = self._rules.length
        if rule is None:
            return self._rules.record
        number = read_number(self._data, rule.place, offset)
        if number is None:
            return None
        match rule.counts:
            case Counts.ENTRIES:
                length = number * (self._rules.record or 1)
            case Counts.RECORD:
                length = number
            case Counts.PAYLOAD:
                length = number + rule.plus
        return length if 0 < length <= len(self._data) - offset else None

    def _row(self, offset: int, length: int) -> _Row:
        rules, data = self._rules, self._data
        value = self._value_at(offset, length)
        checksums = tuple(
            placed
            for checksum in rules.checksums
            if meets(data, checksum.where, offset)
            and (placed := place_checksum(data, self.span.start, offset, length, value, checksum))
        )
        counts = self.in_use and self._is_valid(offset)
        standing = Standing.WITHDRAWN
        if not all(each.holds for each in checksums):
            # Stronger than any mark: a record that was cut off may still bear a valid one.
            counts, standing = False, Standing.BROKEN
        start = self.span.start + offset
        number = 0
        if rules.newest.place is not None:
            number = read_number(data, rules.newest.place, offset) or 0
        return _Row(
            StoredRecord(
                span=Span(start, start + length),
                key=tuple(_key_part(data, place, offset) for place in rules.key),
                standing=standing,
                value=None
                if value is None
                else Span(value.start + self.span.start, value.end + self.span.start),
                checksums=checksums,
            ),
            counts,
            number,
        )

    def _is_valid(self, offset: int) -> bool:
        mark, marks = self._rules.mark, self._layout.marks
        if mark is not None and read_number(self._data, mark.place, offset) not in mark.valid:
            return False
        return marks is None or self._bits_at(offset, marks) == marks.valid

    def _value_at(self, offset: int, length: int) -> Span | None:
        """Offsets in the page of the record's value."""
        rule, counted = self._rules.value, self._rules.length
        if rule is None:
            if counted is None or counted.counts is not Counts.PAYLOAD:
                return None
            at, size = counted.place.span.end, length - counted.plus
        elif not meets(self._data, rule.where, offset):
            return None
        else:
            at, size = rule.at, length - rule.at
            if rule.size is not None:
                size = rule.size
            elif rule.length is not None:
                size = read_number(self._data, rule.length, offset) or 0
        if size <= 0 or at + size > length:
            return None
        return Span(offset + at, offset + at + size)


def read_number(data: bytes, place: Place, offset: int = 0) -> int | None:
    """The integer at `place`; None where `data` ends before it does."""
    raw = data[offset + place.at : offset + place.at + place.size]
    return int.from_bytes(raw, place.byte_order) if len(raw) == place.size else None


def meets(data: bytes, condition: Condition | None, offset: int) -> bool:
    """Whether the record at `offset` meets the condition; with none every one does."""
    return condition is None or read_number(data, condition.place, offset) in condition.values


def _key_part(data: bytes, place: Place, offset: int) -> KeyPart:
    raw = data[offset + place.at : offset + place.at + place.size]
    if place.is_number:
        return int.from_bytes(raw, place.byte_order)
    text = raw.rstrip(b"\x00 ")
    if place.type is FieldType.ASCII and all(0x20 <= byte < 0x7F for byte in text):
        return text.decode("ascii")
    return raw.hex()


def place_checksum(
    data: bytes, base: int, offset: int, length: int, value: Span | None, rule: RecordChecksum
) -> PlacedChecksum | None:
    """The checksum of the record (or page) at `offset`; None where it has no room there.

    Args:
        data: Of the page.
        base: Address of the page.
        offset: Of the record in the page.
        length: Bytes of the record.
        value: Offsets in the page of the record's value.
        rule: What to place.
    """
    at = rule.at if rule.at >= 0 else length + rule.at
    if not 0 <= at <= length - rule.size:
        return None
    stored = Span(offset + at, offset + at + rule.size)
    covers: Sequence[Span]
    match rule.covers:
        case Covered.VALUE:
            if value is None:
                return None
            covers = (value,)
        case Covered.RECORD:
            covers = subtract_spans([Span(offset, offset + length)], [stored])
        case places:
            covers = [Span(offset + each.start, offset + each.end) for each in places]
            if any(each.end > offset + length for each in covers):
                return None
    block = b"".join(data[each.start : each.end] for each in covers)
    wanted = compute_value(get_algorithm(rule.algorithm), block).to_bytes(
        rule.size, rule.byte_order
    )
    return PlacedChecksum(
        rule=rule,
        covers=tuple(Span(base + each.start, base + each.end) for each in covers),
        stored=Span(base + stored.start, base + stored.end),
        holds=data[stored.start : stored.end] == wanted,
    )


def _judge(rows: Sequence[_Row], rules: RecordRules) -> tuple[StoredRecord, ...]:
    """Rules 3 and 4: which one of each key counts."""
    order = list(range(len(rows)))
    if rules.newest.by is NewestBy.HIGHEST and rules.newest.place is not None:
        # The minus goes into the exponent: half of the number's range.
        half = 1 << 8 * rules.newest.place.size - 1
        ages = _unwrapped(rows, half)
        order.sort(key=lambda index: ages[index])
    # From old to new, so that a later record of a key takes the place of the one before.
    last: dict[Key, int] = {rows[index].record.key: index for index in order if rows[index].counts}
    judged = []
    for index in order:
        row = rows[index]
        standing = row.record.standing
        if row.counts:
            counts = last[row.record.key] == index
            standing = Standing.NEWEST if counts else Standing.OLD
        judged.append(replace(row.record, standing=standing))
    return tuple(judged)


def _unwrapped(rows: Sequence[_Row], half: int) -> list[int]:
    """Numbers that grow with age, the small ones behind a wrap lifted, key by key."""
    highest: dict[Key, int] = {}
    for row in rows:
        if row.counts:
            highest[row.record.key] = max(row.number, highest.get(row.record.key, 0))
    return [
        # More than half the range below the highest: it wrapped, and is one whole range higher.
        row.number + 2 * half if highest.get(row.record.key, 0) - row.number > half else row.number
        for row in rows
    ]
