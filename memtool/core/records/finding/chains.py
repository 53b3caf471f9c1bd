"""Records with lengths: each one says where the next one begins.

A wrong guess at the length field soon runs off the page or into erased space; a right one
leads from the first record exactly to where free space begins, in every image.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import product
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.layouts.record_place import Place
from memtool.core.layouts.region import FieldType
from memtool.core.records.finding.keys import find_key, find_number
from memtool.core.span import Span
from memtool.lazy import late_module, np

if TYPE_CHECKING:
    from memtool.core.checksums import checksum as checksums
    from memtool.core.layouts import record_rules
    from memtool.core.layouts.record_rules import PageRules, RecordChecksum, RecordRules
    from memtool.core.records.finding import header_sums, sums
    from memtool.core.records.finding import pages as page_finding
else:
    checksums = late_module("memtool.core.checksums.checksum")
    record_rules = late_module("memtool.core.layouts.record_rules")
    header_sums = late_module("memtool.core.records.finding.header_sums")
    page_finding = late_module("memtool.core.records.finding.pages")
    sums = late_module("memtool.core.records.finding.sums")

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
_MOST_EMPTY = 16
"""Records without payload one behind the other."""
_ALIGN = (1, 4)
_PAGES = (1024, 2048, 4096, 8192)
_HEADERS = (0, 4, 8, 16, 32)
_Walk = tuple[int, tuple[tuple[tuple[int, int], ...], ...]]
"""Room for a checksum; (start, length) of every record of every image."""


def find_chain(samples: Sequence[bytes], span: Span, erased: int) -> RecordRules | None:
    """The rules of a store of records with lengths that carry a checksum."""
    best: _Chain | None = None
    longest = max(map(len, samples))
    pages = dict.fromkeys(page for page in (longest, *_PAGES) if page <= longest)
    pieces = {page: [_cut_pages(sample, page, erased) for sample in samples] for page in pages}
    # Many ways to walk an image lead over the same records.
    summed: dict[_Walk, tuple[RecordChecksum | None, float]] = {}
    numbers: dict[FieldType, list[Sequence[int]]] = {}
    for length in _lengths():
        kind = length[0].type
        if kind not in numbers:
            numbers[kind] = [_numbers(sample, length[0]) for sample in samples]
        dead_ends = {page: [set[int]() for _ in samples] for page in pages}
        for page, header in product(pages, _HEADERS):
            starts = _follow_all(pieces[page], numbers[kind], dead_ends[page], header, length)
            if not starts:
                continue
            count = min(map(len, starts))
            if count < _FEWEST or (best is not None and count < _ENOUGH * best.records):
                continue
            found = _describe(samples, starts, span, page, header, length, erased, summed)
            if found is not None and (best is None or found.merit > best.merit):
                best = found
        # Every checksum holds: no other length field explains more.
        if best is not None and best.held == 1:
            break
    return None if best is None else best.rules


class _Chain(NamedTuple):
    rules: RecordRules
    held: float
    """Share of the records whose checksum holds."""
    records: int
    """Of the image that has fewest."""

    @property
    def merit(self) -> tuple[float, int]:
        return (self.held, self.records)


class _Piece(NamedTuple):
    """A page of a sample, as far as it goes."""

    start: int
    """Offset in the sample."""
    size: int
    end: int
    """Behind the last byte that is not erased: free space, or what a record of erased bytes ends
    in."""


def _cut_pages(sample: bytes, size: int, erased: int) -> list[_Piece]:
    blank = bytes([erased])
    pages = ((at, sample[at : at + size]) for at in range(0, len(sample), size))
    return [_Piece(at, len(page), len(page.rstrip(blank))) for at, page in pages]


def _numbers(sample: bytes, place: Place) -> Sequence[int]:
    """What a number of this place's type is at each offset of the sample."""
    if place.size == 1:
        return sample
    kind = "<u2" if place.byte_order == "little" else ">u2"
    both = [np.frombuffer(sample[at : at + (len(sample) - at) // 2 * 2], kind) for at in (0, 1)]
    numbers = np.zeros(max(0, len(sample) - 1), np.uint16)
    numbers[0::2], numbers[1::2] = both
    found: list[int] = numbers.tolist()
    return found


def _follow_all(
    pages: Sequence[Sequence[_Piece]],
    numbers: Sequence[Sequence[int]],
    dead_ends: Sequence[set[int]],
    header: int,
    length: tuple[Place, int, int],
) -> list[list[tuple[int, int]]]:
    """The chains of all images; empty where one breaks, or all records are of few lengths."""
    if _breaks_at_once(pages[0][0], numbers[0], header, length):
        return []
    starts: list[list[tuple[int, int]]] = []
    for image_pages, image_numbers, dead in zip(pages, numbers, dead_ends, strict=True):
        chain = _follow(image_pages, image_numbers, dead, header, length)
        if chain is None:
            return []
        starts.append(chain)
    kinds = {each for chain in starts for _, each in chain}
    return starts if len(kinds) >= _FEWEST_LENGTHS else []


def _breaks_at_once(
    page: _Piece, numbers: Sequence[int], header: int, length: tuple[Place, int, int]
) -> bool:
    """Whether a page's first record leads nowhere: most guesses end there, and it is soon told."""
    place, plus, _ = length
    start, behind_number = page.start + header, place.at + place.size
    if header >= page.end or start + behind_number > page.start + page.size:
        return False
    size = numbers[start + place.at] + plus
    return size <= behind_number or header + size > page.size


def _lengths() -> Iterator[tuple[Place, int, int]]:
    for (size, kind), at, align in product(_TYPES, _AT, _ALIGN):
        # 0: the number is the whole record's length. Else it is the payload's, and `plus` is all
        # that the record has besides.
        for plus in (0, *range(at + size + 1, at + size + _MOST_BEHIND)):
            yield Place(at=at, type=kind, size=size), plus, align


def _follow(
    pages: Sequence[_Piece],
    numbers: Sequence[int],
    dead_ends: set[int],
    header: int,
    length: tuple[Place, int, int],
) -> list[tuple[int, int]] | None:
    """(start, length) of every record; None where the chain breaks in some page.

    `dead_ends`: where records begin from which the chain breaks; walks behind headers of other
    sizes soon lead over the same ones, since those are whole multiples of what records align to.
    """
    found: list[tuple[int, int]] = []
    for page in pages:
        walked = _walk(page, numbers, dead_ends, header, *length)
        if walked is None:
            return None
        found += walked
    return found


def _walk(
    page: _Piece,
    numbers: Sequence[int],
    dead_ends: set[int],
    header: int,
    place: Place,
    plus: int,
    align: int,
) -> list[tuple[int, int]] | None:
    """`_follow` through one page."""
    found: dict[int, int] = {}
    to_number, behind_number = place.at, place.at + place.size
    start, last, end = page.start, page.start + page.size, page.start + page.end
    at = first = start + header
    empty = 0
    while at < end and at not in dead_ends and at + behind_number <= last:
        number = numbers[at + to_number]
        length = number + plus
        # A record that ends before its own length field leads nowhere. Nor do zeros: each would be
        # the length of an empty record, through all of them.
        empty = 0 if number else empty + 1
        if length <= behind_number or at + length > last or empty > _MOST_EMPTY:
            break
        found[at] = length
        at += length
        # Up to the next multiple: the remainder of a negative number is positive in Python.
        at += -(at - first) % align
    else:
        # What the last record holds may end in erased bytes.
        if at >= end and (end <= first or at - end <= 8 + align):
            return list(found.items())
    if empty > _MOST_EMPTY:
        # A walk that begins among these empty records meets fewer of them.
        dead_ends.update(list(found)[:-_MOST_EMPTY])
    else:
        dead_ends.update(found)
        dead_ends.add(at)
    return None


def _describe(
    samples: Sequence[bytes],
    chains: Sequence[list[tuple[int, int]]],
    span: Span,
    page: int,
    header: int,
    length: tuple[Place, int, int],
    erased: int,
    summed: dict[_Walk, tuple[RecordChecksum | None, float]],
) -> _Chain | None:
    """The rules that a walk over all images follows; None where no checksum or no key shows.

    `summed` holds what `_record_sum` has said of earlier walks.
    """
    place, plus, align = length
    # Rows of one array must be of one length: that of the shortest record.
    front = min(each for chain in chains for _, each in chain)
    modules = [
        np.array([list(sample[start : start + front]) for start, _ in chain], np.uint8)
        for sample, chain in zip(samples, chains, strict=False)
    ]
    taken = list(range(place.at, place.at + place.size))
    # Most walks over what holds no records show no key, and that is sooner told than a checksum.
    key = find_key([rows[:, : place.at + place.size + 2] for rows in modules], without=taken)
    if key is None or key.columns[-1] - key.columns[0] >= 4:
        return None
    # Where the length is that of the whole record, its shortest content tells the room left.
    room = plus or front - place.at - place.size
    walk = (room, tuple(map(tuple, chains)))
    if walk not in summed:
        summed[walk] = _record_sum(list(_records(samples, chains)), room)
    checksum, held = summed[walk]
    if checksum is None:
        return None
    number = find_number(modules, without=[*taken, *key.columns])
    counts = record_rules.Counts.PAYLOAD if plus else record_rules.Counts.RECORD
    kinds = {1: FieldType.U8, 2: FieldType.U16LE}
    columns = key.columns
    width = columns[-1] - columns[0] + 1
    kind = kinds.get(width, FieldType.BYTES)
    headers = [_headers(sample, page, header, erased) for sample in samples]
    rules = record_rules.RecordRules(
        name="records",
        span=Span(span.start, span.end - len(span) % page),
        record=None,
        length=record_rules.LengthRule(place=place, counts=counts, plus=plus, align=align),
        key=(Place(at=columns[0], type=kind, size=width),),
        newest=record_rules.NewestRule(by=record_rules.NewestBy.POSITION)
        if number is None
        else record_rules.NewestRule(by=record_rules.NewestBy.HIGHEST, place=number),
        checksums=(checksum,),
        page=_page_rules(page, header, headers) if header or page < len(span) else None,
    )
    return _Chain(rules=rules, held=held, records=min(map(len, chains)))


def _records(samples: Sequence[bytes], chains: Sequence[list[tuple[int, int]]]) -> Iterator[bytes]:
    for sample, chain in zip(samples, chains, strict=False):
        for start, length in chain:
            yield sample[start : start + length]


def _page_rules(page: int, header: int, headers: Sequence[Sequence[bytes]]) -> PageRules:
    return record_rules.PageRules(
        size=page,
        header=header,
        sequence=page_finding.find_sequence(headers),
        checksum=header_sums.find_header_sum([each for image in headers for each in image]),
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
    # Most combinations are wrong, and are given up after the first few records: at the latest
    # where the others would be too few.
    too_many = next(n for n in range(1, len(tried) + 1) if (len(tried) - n) / len(tried) < _SOUND)
    at_once = min(_AT_ONCE, too_many)
    for size in (4, 2, 1):
        # What is not payload must have room for it.
        if size > room:
            continue
        blocks = [record[:-size] for record in tried]
        stored = [
            (int.from_bytes(record[-size:], "big"), int.from_bytes(record[-size:], "little"))
            for record in tried
        ]
        for algorithm, compute in sums.promising(size, blocks, stored, at_once):
            needed = len(tried) - too_many + 1
            counted = sums.count_held(compute, blocks, stored, needed=needed)
            if counted[0] / len(tried) < _SOUND:
                continue
            found = record_rules.RecordChecksum(
                algorithm=algorithm.name,
                covers=record_rules.Covered.RECORD,
                at=-size,
                size=size,
                byte_order=counted[1],
                when_blanked=checksums.WhenBlanked.REFRESH,
            )
            return found, counted[0] / len(tried)
    return None, 0.0
