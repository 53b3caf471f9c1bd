"""Records with lengths: each one says where the next one begins.

A wrong guess at the length field soon runs off the page or into erased space; a right one
leads from the first record exactly to where free space begins, in every image.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product

from memtool.core.checksums.algorithms import Algorithm, value_function
from memtool.core.checksums.checksum import WhenBlanked
from memtool.core.checksums.sums import ByteOrder
from memtool.core.layouts.record_rules import (
    Counts,
    Covered,
    LengthRule,
    NewestBy,
    NewestRule,
    PageRules,
    Place,
    RecordChecksum,
    RecordRules,
)
from memtool.core.layouts.region import FieldType
from memtool.core.records.finding.header_sums import find_header_sum
from memtool.core.records.finding.keys import find_key, find_number
from memtool.core.records.finding.pages import find_sequence
from memtool.core.records.finding.sums import algorithms_of
from memtool.core.span import Span
from memtool.lazy import np

_FEWEST = 12
_FEWEST_LENGTHS = 3
"""Different ones; with fewer, rows of one size explain as much."""
_ENOUGH = 0.9
"""Of the records of the best chain so far; one that leaves out more is no better."""
_TRIED = 400
_AT_ONCE = 4
_SOUND = 0.9
_TYPES = ((1, FieldType.U8), (2, FieldType.U16LE), (2, FieldType.U16BE))
_AT = range(5)
_MOST_BEHIND = 7
"""Bytes behind the length that are no payload: a checksum, a few flags; one less at most."""
_ALIGN = (1, 4)
_PAGES = (1024, 2048, 4096, 8192)
_HEADERS = (0, 4, 8, 16, 32)


def find_chain(samples: Sequence[bytes], span: Span, erased: int) -> RecordRules | None:
    """The rules of a store of records with lengths that carry a checksum."""
    best: _Chain | None = None
    longest = max(map(len, samples))
    pages = [page for page in (longest, *_PAGES) if page <= longest]
    for length in _lengths():
        for page, header in product(pages, _HEADERS):
            starts = _follow_all(samples, page, header, length, erased)
            count = min(map(len, starts), default=0)
            if count < _FEWEST or (best is not None and count < _ENOUGH * best.count):
                continue
            found = _describe(samples, starts, span, page, header, length, erased)
            if found is not None and (best is None or found.merit > best.merit):
                best = found
        # Every checksum holds: no other length field explains more.
        if best is not None and best.held == 1:
            break
    return None if best is None else best.rules


@dataclass(frozen=True, slots=True)
class _Chain:
    rules: RecordRules
    held: float
    """Share of the records whose checksum holds."""
    count: int

    @property
    def merit(self) -> tuple[float, int]:
        return (self.held, self.count)


def _follow_all(
    samples: Sequence[bytes], page: int, header: int, length: tuple[Place, int, int], erased: int
) -> list[list[tuple[int, int]]]:
    """The chains of all images; empty where one breaks, or all records are of few lengths."""
    starts: list[list[tuple[int, int]]] = []
    for sample in samples:
        chain = _follow(sample, page, header, *length, erased)
        if chain is None:
            return []
        starts.append(chain)
    kinds = {each for chain in starts for _, each in chain}
    return starts if len(kinds) >= _FEWEST_LENGTHS else []


def _lengths() -> Iterator[tuple[Place, int, int]]:
    for (size, kind), at, align in product(_TYPES, _AT, _ALIGN):
        # 0: the number is the whole record's length. Else it is the payload's, and `plus` is all
        # that the record has besides.
        for plus in (0, *range(at + size + 1, at + size + _MOST_BEHIND)):
            yield Place(at=at, type=kind, size=size), plus, align


def _follow(
    data: bytes, page_size: int, header: int, place: Place, plus: int, align: int, erased: int
) -> list[tuple[int, int]] | None:
    """(start, length) of every record; None where the chain breaks in some page."""
    found: list[tuple[int, int]] = []
    blank = bytes([erased])
    for page in range(0, len(data), page_size):
        content = data[page : page + page_size]
        # Behind the last byte that is not erased: free space, or what a record of erased bytes ends
        # in.
        end = len(content.rstrip(blank))
        if end <= header:
            continue
        at = header
        while at < end:
            raw = content[at + place.at : at + place.at + place.size]
            length = int.from_bytes(raw, place.byte_order) + plus
            # A record that ends before its own length field leads nowhere.
            if len(raw) < place.size or length <= place.at + place.size:
                return None
            if at + length > len(content):
                return None
            found.append((page + at, length))
            at += length
            # Up to the next multiple: the remainder of a negative number is positive in Python.
            at += -(at - header) % align
        # What the last record holds may end in erased bytes.
        if at - end > 8 + align:
            return None
    return found


def _describe(
    samples: Sequence[bytes],
    chains: Sequence[list[tuple[int, int]]],
    span: Span,
    page: int,
    header: int,
    length: tuple[Place, int, int],
    erased: int,
) -> _Chain | None:
    place, plus, align = length
    # Rows of one array must be of one length: that of the shortest record.
    front = min(each for chain in chains for _, each in chain)
    modules = [
        np.array([list(sample[start : start + front]) for start, _ in chain], np.uint8)
        for sample, chain in zip(samples, chains, strict=False)
    ]
    records = [
        sample[start : start + each]
        for sample, chain in zip(samples, chains, strict=False)
        for start, each in chain
    ]
    # Where the length is that of the whole record, its shortest content tells the room left.
    room = plus or front - place.at - place.size
    checksum, held = _record_sum(records, room)
    if checksum is None:
        return None
    taken = list(range(place.at, place.at + place.size))
    key = find_key([rows[:, : place.at + place.size + 2] for rows in modules], without=taken)
    if key is None or key.columns[-1] - key.columns[0] >= 4:
        return None
    number = find_number(modules, without=[*taken, *key.columns])
    counts = Counts.PAYLOAD if plus else Counts.RECORD
    kinds = {1: FieldType.U8, 2: FieldType.U16LE}
    columns = key.columns
    width = columns[-1] - columns[0] + 1
    kind = kinds.get(width, FieldType.BYTES)
    headers = [_headers(sample, page, header, erased) for sample in samples]
    rules = RecordRules(
        name="records",
        span=Span(span.start, span.end - len(span) % page),
        record=None,
        length=LengthRule(place=place, counts=counts, plus=plus, align=align),
        key=(Place(at=columns[0], type=kind, size=width),),
        newest=NewestRule(by=NewestBy.POSITION)
        if number is None
        else NewestRule(by=NewestBy.HIGHEST, place=number),
        checksums=(checksum,),
        page=_page_rules(page, header, headers) if header or page < len(span) else None,
    )
    return _Chain(rules, held, min(map(len, chains)))


def _page_rules(page: int, header: int, headers: Sequence[Sequence[bytes]]) -> PageRules:
    return PageRules(
        size=page,
        header=header,
        sequence=find_sequence(headers),
        checksum=find_header_sum([each for image in headers for each in image]),
    )


def _headers(sample: bytes, page: int, header: int, erased: int) -> list[bytes]:
    blank = bytes([erased])
    found = [sample[at : at + header] for at in range(0, len(sample), page)]
    return [each for each in found if each.strip(blank)]


def _record_sum(records: Sequence[bytes], room: int) -> tuple[RecordChecksum | None, float]:
    """A checksum at the end of every record over all in front of it; in which share it holds."""
    different = list(dict.fromkeys(records))
    # Spread over all records: the first ones may all be of one kind.
    tried = different[:: max(1, len(different) // _TRIED)]
    for size in (4, 2, 1):
        # What is not payload must have room for it.
        if size > room:
            continue
        for algorithm in algorithms_of(size):
            order, held = _held(algorithm, tried, size)
            if held >= _SOUND:
                found = RecordChecksum(
                    algorithm=algorithm.name,
                    covers=Covered.RECORD,
                    at=-size,
                    size=size,
                    byte_order=order,
                    when_blanked=WhenBlanked.REFRESH,
                )
                return found, held
    return None, 0.0


def _held(algorithm: Algorithm, tried: Sequence[bytes], size: int) -> tuple[ByteOrder, float]:
    compute = value_function(algorithm)
    little = big = 0
    for number, record in enumerate(tried):
        # Most combinations are wrong, and are given up after the first few records.
        if number == _AT_ONCE and not little and not big:
            return "big", 0.0
        value = compute(record[:-size])
        little += int.from_bytes(record[-size:], "little") == value
        big += int.from_bytes(record[-size:], "big") == value
    return ("little" if little > big else "big"), max(little, big) / len(tried)
