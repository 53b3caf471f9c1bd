"""How the rows of a store lie in pages: page size, header, number, marks in a bitmap."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.layouts.record_rules import BitMarks, Place
from memtool.core.layouts.region import FieldType
from memtool.core.records.finding.rows import PAGE_SIZES
from memtool.lazy import np

if TYPE_CHECKING:
    from memtool.core.records.finding.rows import Numbers

_LONGEST_HEADER = 512
_INTEGERS = (
    (4, FieldType.U32LE, "little"),
    (4, FieldType.U32BE, "big"),
    (2, FieldType.U16LE, "little"),
    (2, FieldType.U16BE, "big"),
    (1, FieldType.U8, "little"),
)


class Paging(NamedTuple):
    """Pages of one size, each with a header."""

    size: int
    header: int


def find_paging(samples: Sequence[bytes], starts: Sequence[Numbers], erased: int) -> Paging | None:
    """The pages that explain where records begin; None: the store is one page without header.

    Args:
        samples: The images.
        starts: Of each, where its records begin.
        erased: The chip's erased byte.
    """
    longest = max(map(len, samples))
    for size in PAGE_SIZES:
        if size >= longest:
            break
        headers = {
            header
            for sample, found in zip(samples, starts, strict=True)
            for header in _headers(sample, found, size, erased)
        }
        # In every page of every image the first record lies equally far in: so this is the page
        # size.
        if len(headers) == 1 and 0 < (header := headers.pop()) < min(size, _LONGEST_HEADER):
            return Paging(size, header)
    # No page size fits: the store may be one page, with a header all the same.
    first = {int(found[0]) for found in starts if len(found)}
    if len(first) == 1 and 0 < (header := first.pop()) < _LONGEST_HEADER:
        return Paging(longest, header)
    return None


def _headers(sample: bytes, starts: Numbers, size: int, erased: int) -> set[int]:
    """How far behind the beginning of its page the first record of each used page lies."""
    found: set[int] = set()
    for page in range(0, len(sample), size):
        content = sample[page : page + size]
        if content.count(erased) == len(content):
            continue
        # The first record at or behind the page's beginning.
        number = int(starts.searchsorted(page))
        if number == len(starts) or int(starts[number]) >= page + size:
            # A header with no record behind it: its page was opened just now.
            if content[_LONGEST_HEADER:].strip(bytes([erased])):
                # A length that no header has: one such page rules this size out.
                found.add(-1)
            continue
        found.add(int(starts[number]) - page)
    return found


def find_sequence(headers: Sequence[Sequence[bytes]]) -> Place | None:
    """A number in the header that differs from page to page, and never by much.

    Args:
        headers: Of the pages in use, for each image.
    """
    several = [each for each in headers if len(each) > 1]
    if not several:
        return None
    length = min(len(header) for each in headers for header in each)
    for size, kind, order in _INTEGERS:
        for at in range(length - size + 1):
            if at % size == 0 and all(_follow(each, at, size, order) for each in several):
                return Place(at=at, type=kind, size=size)
    return None


def _follow(headers: Sequence[bytes], at: int, size: int, order: str) -> bool:
    big = order == "big"
    numbers = [
        int.from_bytes(header[at : at + size], "big" if big else "little") for header in headers
    ]
    # Two fields side by side, an erase count behind the number perhaps, are not one number.
    if size == 4 and min(numbers) >> 16 == max(numbers) >> 16 > 0:
        return False
    span = max(numbers) - min(numbers)
    whole = (1 << 8 * size) - 1
    return (
        len(set(numbers)) == len(numbers)
        and span < 4 * len(numbers)
        # Large numbers close together are more often erased or filled bytes than numbers.
        and (max(numbers) < whole // 2 or size == 1)
    )


class Entry(NamedTuple):
    """One entry of a page, for the search for a bitmap."""

    header: bytes
    number: int
    """Of the entry in its page."""
    is_used: bool
    is_last: bool
    """It begins the last record of its key."""


def find_marks(entries: Sequence[Entry], header: int, per_page: int) -> BitMarks | None:
    """A bitmap in the header that tells used entries from free ones, and old from new.

    Args:
        entries: A sample, free ones too.
        header: Bytes of a header.
        per_page: Entries of a page.
    """
    if not entries or all(entry.is_used for entry in entries):
        return None
    for bits in (2, 1, 4, 8):
        # Bytes of the bitmap, rounded up.
        need = -(-per_page * bits // 8)
        for at in range(header - need + 1):
            states = [_state(entry, at, bits) for entry in entries]
            free = (1 << bits) - 1
            sound = all(
                # `is not` of two booleans: exactly one of them is true.
                (state == free) is not entry.is_used
                for state, entry in zip(states, entries, strict=True)
            )
            if sound:
                last = [s for s, entry in zip(states, entries, strict=True) if entry.is_last]
                values, counts = np.unique(last, return_counts=True)
                return BitMarks(at=at, bits=bits, valid=int(values[counts.argmax()]), free=free)
    return None


def _state(entry: Entry, at: int, bits: int) -> int:
    place = entry.number * bits
    # Entries count from the low bit; the mask keeps this entry's bits alone.
    return entry.header[at + place // 8] >> place % 8 & (1 << bits) - 1
