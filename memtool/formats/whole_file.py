"""Reads whole lines of hex text by operations over all of them at once, many times faster.

A line that is right by the grammar of the format (its type known, its length and checksum as
they should be) is read here, and makes the same record as the line reader makes of it. Every
other line is handed out as it stands, at its place among the records, for the line reader to
explain.
"""

from __future__ import annotations

import binascii
from collections.abc import Iterator, Sequence
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple, TypeAlias

from memtool.formats.fault_list import MANY
from memtool.formats.grammar import (
    BYTE_VALUES,
    CHECKSUM_SIZE,
    Grammar,
    Item,
    Record,
    Run,
    Unread,
)
from memtool.lazy import np

_LINE_FEED = 0x0A
_FEW_TABLES = 64
"""Up to so many stretches of equal records a block is cut into tables; a mask is slower."""

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Bytes: TypeAlias = NDArray[np.uint8]
    Numbers: TypeAlias = NDArray[np.int64]
    Mask: TypeAlias = NDArray[np.bool_]


class Block(NamedTuple):
    """What some whole lines hold."""

    items: list[Item]
    """In the order of the lines. What is unread has its whole line."""
    data_size: int
    """Bytes of the memory."""
    lines: int
    blank_lines: Sequence[int]
    """Numbers of the empty ones."""


class _Lines(NamedTuple):
    """Lines that are not empty."""

    text: bytes
    """Each ends with a line feed alone."""
    starts: Numbers
    ends: Numbers
    """Places of the line feeds."""
    numbers: Numbers
    total: int
    """Number of all lines, empty ones too."""
    blank: Sequence[int]


class _Bodies(NamedTuple):
    """The bytes of some records."""

    joined: Bytes
    """All bytes of all records, one after the other."""
    first: Numbers
    """Index of each record's first byte in `joined`."""
    sizes: Numbers
    """Bytes of each record."""


class _Table(NamedTuple):
    """The records that are right in every respect; one entry a record."""

    rows: Numbers
    """Which of the lines each record is."""
    kinds: Bytes
    addresses: Numbers
    sizes: Numbers
    """Data bytes."""
    payload: bytes
    """The data of all records, one after the other."""


class _Shapes(NamedTuple):
    """The grammar as arrays, one entry for each value that a type's byte can have."""

    before: Numbers
    """Bytes before the data; more than any record has where there is no such type."""
    data_size: Numbers
    """Data bytes that each record has; -1 where any number is right."""
    total: Bytes
    width: Numbers
    is_data: Mask
    is_end: Mask


def read_block(grammar: Grammar, text: bytes, first_line: int) -> Block | None:
    """What some whole lines hold; None where many are wrong, or records follow an end record.

    Args:
        grammar: Of the format.
        text: Lines, the last with or without its line end.
        first_line: Number of the first.
    """
    lines = _split(text, first_line)
    table = _tabulate(grammar, lines)
    many_wrong = len(lines.starts) - len(table.rows) > MANY
    # An end record may be the last one of the block; behind any other the line reader complains.
    if many_wrong or np.any(_shapes(grammar).is_end[table.kinds[:-1]]):
        return None
    items = sorted(
        (*_records(grammar, lines, table), *_unread(lines, table)), key=lambda item: item.line
    )
    data_size = sum(len(item.data) for item in items if isinstance(item, Run))
    return Block(items, data_size, lines.total, lines.blank)


def _split(text: bytes, first_line: int) -> _Lines:
    lines = text.replace(b"\r\n", b"\n") if b"\r" in text else text
    if not lines.endswith(b"\n"):
        lines += b"\n"
    ends = np.flatnonzero(np.frombuffer(lines, dtype=np.uint8) == _LINE_FEED)
    # Each line begins behind the line feed before it.
    starts = np.concatenate(([0], ends[:-1] + 1))
    numbers = np.arange(first_line, first_line + len(ends))
    full = starts != ends
    if np.all(full):
        return _Lines(lines, starts, ends, numbers, len(ends), ())
    blank = numbers[~full].tolist()
    return _Lines(lines, starts[full], ends[full], numbers[full], len(ends), blank)


def _unread(lines: _Lines, table: _Table) -> Iterator[Unread]:
    """The lines that are not in the table."""
    if len(table.rows) == len(lines.starts):
        return
    left = np.ones(len(lines.starts), dtype=np.bool_)
    left[table.rows] = False
    for row in np.flatnonzero(left).tolist():
        yield Unread(int(lines.numbers[row]), lines.text[lines.starts[row] : lines.ends[row]])


def _decode(grammar: Grammar, lines: _Lines) -> tuple[Numbers, Bytes]:
    """Which lines are a mark and whole bytes in hex digits, and their bodies, joined."""
    characters = np.frombuffer(lines.text, dtype=np.uint8)
    digits = _count_digits(grammar, lines)
    sound = (characters[lines.starts] == grammar.mark[0]) & (digits > 0) & (digits & 1 == 0)
    if np.all(sound):
        # The usual case: one call over the whole block, which fails at the first foreign
        # character.
        joined = _try_bytes_of(grammar, lines.text)
        if joined is not None and _has_no_other_mark(grammar, lines, digits, joined):
            return np.arange(len(digits)), joined
    # Something is odd: find the lines, and take the others.
    foreign = _is_foreign(lines.text)
    foreign[lines.starts] = False
    # The first line end at or behind a character is that of its line.
    sound[np.searchsorted(lines.ends, np.flatnonzero(foreign))] = False
    rows = np.flatnonzero(sound)
    gaps = np.flatnonzero(np.diff(rows) > 1) + 1
    # Neighbouring lines are cut out together: few copies instead of one a line.
    groups = np.split(rows, gaps) if len(rows) else []
    kept = (lines.text[lines.starts[group[0]] : lines.ends[group[-1]] + 1] for group in groups)
    return rows, _bytes_of(grammar, b"".join(kept))


def _count_digits(grammar: Grammar, lines: _Lines) -> Numbers:
    """Digits of each line; with the prefix in the mark's place an even number in a record."""
    digits: Numbers = lines.ends - lines.starts - 1 + len(grammar.prefix)
    return digits


def _has_no_other_mark(grammar: Grammar, lines: _Lines, digits: Numbers, joined: Bytes) -> bool:
    """Whether marks stand at the beginnings of lines alone."""
    if grammar.prefix:
        return lines.text.count(grammar.mark) == len(digits)
    # Another one was taken out with them, and its place is missing.
    return 2 * len(joined) == int(digits.sum())


def _try_bytes_of(grammar: Grammar, text: bytes) -> Bytes | None:
    try:
        return _bytes_of(grammar, text)
    except binascii.Error:
        return None


def _bytes_of(grammar: Grammar, text: bytes) -> Bytes:
    """The bodies of records, joined.

    Raises:
        binascii.Error: there is something else than hex digits.
    """
    # The prefix takes the mark's place, so that a record has whole pairs of digits.
    digits = text.replace(grammar.mark, grammar.prefix).replace(b"\n", b"")
    return np.frombuffer(binascii.unhexlify(digits), dtype=np.uint8)


def _is_foreign(text: bytes) -> Mask:
    """Which characters are neither hex digits nor line feeds."""
    table = bytes(byte not in b"0123456789ABCDEFabcdef\n" for byte in range(BYTE_VALUES))
    return np.frombuffer(bytearray(text.translate(table)), dtype=np.bool_)


@lru_cache
def _shapes(grammar: Grammar) -> _Shapes:
    # Larger than any record: of an unknown type the data size comes out negative, and it is not
    # sound.
    before = np.full(BYTE_VALUES, 1 << 30, dtype=np.int64)
    data_size = np.full(BYTE_VALUES, -1, dtype=np.int64)
    width = np.zeros(BYTE_VALUES, dtype=np.int64)
    total = np.zeros(BYTE_VALUES, dtype=np.uint8)
    for kind, known in grammar.types.items():
        before[kind] = grammar.size_before_data(kind)
        data_size[kind] = -1 if known.data_size is None else known.data_size
        width[kind] = known.width
        total[kind] = grammar.total_with(kind)
    is_data, is_end = (
        np.isin(np.arange(BYTE_VALUES), list(kinds))
        for kinds in (grammar.data_types, grammar.end_types)
    )
    return _Shapes(before, data_size, total, width, is_data, is_end)


def _tabulate(grammar: Grammar, lines: _Lines) -> _Table:
    """The records, each as its type wants it, with their checksums right."""
    shapes = _shapes(grammar)
    rows, joined = _decode(grammar, lines)
    if not len(rows):
        return _Table(rows, joined, rows, rows, b"")
    sizes = _count_digits(grammar, lines)[rows] >> 1
    # Where each begins: the sum of all sizes before it.
    first = np.cumsum(sizes) - sizes
    # A body too short to have a type is found by its size, whatever stands there instead.
    last = len(joined) - 1
    kinds = joined[np.minimum(first + grammar.type_at, last)]
    lengths = joined[np.minimum(first + grammar.length_at, last)].astype(np.int64)
    data_sizes = sizes - shapes.before[kinds] - CHECKSUM_SIZE
    wanted = shapes.data_size[kinds]
    sound = (data_sizes >= 0) & ((wanted < 0) | (wanted == data_sizes))
    sound &= lengths + grammar.uncounted == sizes
    # Sums of each record from its first byte to the next one's; eight bits wrap as checksums do.
    sound &= np.add.reduceat(joined, first, dtype=np.uint8) == shapes.total[kinds]
    if not np.any(sound):
        return _Table(rows[:0], kinds[:0], rows[:0], rows[:0], b"")
    width = shapes.width[kinds[sound]]
    return _Table(
        rows=rows[sound],
        kinds=kinds[sound],
        addresses=_addresses(joined, first[sound] + grammar.address_at, width),
        sizes=data_sizes[sound],
        payload=_payload(_Bodies(joined, first, sizes), shapes.before[kinds], sound),
    )


def _addresses(joined: Bytes, start: Numbers, width: Numbers) -> Numbers:
    """The numbers of so many bytes that begin at `start`."""
    addresses = np.zeros(len(width), dtype=np.int64)
    if int(width.min()) == int(width.max()):
        for place in range(int(width[0])):
            # High byte first, all records at once.
            addresses = addresses << 8 | joined[start + place]
        return addresses
    for place in range(int(width.max())):
        # Types of several widths: those with no more bytes are left as they are.
        rows = np.flatnonzero(width > place)
        addresses[rows] = addresses[rows] << 8 | joined[start[rows] + place]
    return addresses


def _payload(bodies: _Bodies, before: Numbers, sound: Mask) -> bytes:
    """The bytes between head and checksum of every sound record, joined."""
    heads = before[sound]
    changes = (bodies.sizes[1:] != bodies.sizes[:-1]) | (before[1:] != before[:-1])
    borders = [0, *(np.flatnonzero(changes) + 1).tolist(), len(before)]
    if len(borders) <= _FEW_TABLES and np.all(sound):
        # Long stretches of one size and head, as in most blocks: each is a table, and its columns
        # are the data.
        return b"".join(_columns(bodies, before, *rows) for rows in pairwise(borders))
    # Otherwise a mask over all bytes: of sound records, less their heads, less their checksums.
    keep = np.repeat(sound, bodies.sizes)
    first, sizes = bodies.first[sound], bodies.sizes[sound]
    for place in range(int(heads.max())):
        keep[(first + place)[heads > place]] = False
    keep[first + sizes - CHECKSUM_SIZE] = False
    return bodies.joined[keep].tobytes()


def _columns(bodies: _Bodies, before: Numbers, first: int, after: int) -> bytes:
    """The data of the records from `first` to `after`, all of one size and head, joined."""
    size, start = int(bodies.sizes[first]), int(bodies.first[first])
    table = bodies.joined[start : start + size * (after - first)].reshape(-1, size)
    return table[:, int(before[first]) : -CHECKSUM_SIZE].tobytes()


def _records(grammar: Grammar, lines: _Lines, table: _Table) -> Iterator[Record | Run]:
    """Runs of data records, and the other records between them."""
    count = len(table.rows)
    if not count:
        return
    rows, kinds, addresses, sizes = table.rows, table.kinds, table.addresses, table.sizes
    alone = ~_shapes(grammar).is_data[kinds]
    # A run ends where type or address does not go on, at a record that is no data, or at a line
    # left out.
    breaks = (kinds[1:] != kinds[:-1]) | (addresses[1:] != addresses[:-1] + sizes[:-1])
    breaks |= alone[1:] | alone[:-1] | (rows[1:] != rows[:-1] + 1)
    firsts = np.concatenate(([0], np.flatnonzero(breaks) + 1)).tolist()
    # Where the data of each run begins in the payload, and its end.
    places = [*(np.cumsum(sizes) - sizes)[firsts].tolist(), len(table.payload)]
    numbers, small_sizes = lines.numbers[rows], sizes.astype(np.uint8).tobytes()
    for index, (first, after) in enumerate(pairwise([*firsts, count])):
        data = table.payload[places[index] : places[index + 1]]
        kind, address, line = int(kinds[first]), int(addresses[first]), int(numbers[first])
        if alone[first]:
            yield Record(line, kind, address, data)
        elif lines.blank:
            # Empty lines between records: their numbers have gaps, and are kept one by one.
            on = numbers[first:after].tolist()
            yield Run(line, kind, address, data, small_sizes[first:after], on)
        else:
            on = range(line, line + after - first)
            yield Run(line, kind, address, data, small_sizes[first:after], on)
