"""A whole hex file as its records: line by line, and long stretches of right ones at once.

What a record is stands in the grammar of the format. What the records mean together is the
business of `intel_hex` and `s_record`; this module knows no more of it than that a data
record may follow another, and that nothing follows an end record.

A long file is read in blocks of whole lines (`whole_file`), which leave what is not right to
the line reader, so that a bad line in a large file costs no more than itself.
"""

from __future__ import annotations

import binascii
from collections.abc import Iterator
from functools import lru_cache

from memtool.core.finding import Finding, Severity
from memtool.errors import Fault
from memtool.formats import whole_file
from memtool.formats.fault_list import FaultList
from memtool.formats.grammar import BYTE_VALUES, CHECKSUM_SIZE, Grammar, Item, Run, Unread
from memtool.formats.hex_line import LineError, parse_line, show
from memtool.formats.parsed import require_bytes, require_data_size, require_text_size

WHOLE_FILE_FROM = 64 * 1024
"""Characters from which a file is tried in blocks: that loads numpy, which costs more than
reading a short file line by line."""
BLOCK = 1 << 19
"""Characters tried at once: the arrays of a block stay in the processor's cache."""
_SHOWN = 16
"""Characters that are kept of a line that is no record."""


class HexText:
    """The records of one file. Filled by `read`."""

    def __init__(self, grammar: Grammar, faults: FaultList) -> None:
        self.items: list[Item] = []
        """In the order of the file."""
        self._grammar = grammar
        self._faults = faults
        self._lines = 0
        """Lines read so far."""
        self._end_line: int | None = None
        self._blank = _Noted()
        self._odd_marks = _Noted()
        self._data_size = 0

    def read(self, text: bytes) -> None:
        """Read all lines; what is wrong with them goes to the list of faults.

        Raises:
            ImageFormatError: empty, too large, or too much is wrong to go on.
        """
        require_bytes(text)
        require_text_size(len(text))
        if len(text) < WHOLE_FILE_FROM:
            self._read_lines(text)
            return
        for block in _split(text, BLOCK):
            self._read_block(block)

    def require_end(self, *, accepted: bool, expected: str) -> Iterator[Finding]:
        """Note a missing end record as a fault, or as a warning where it was accepted."""
        if self._end_line is not None:
            return
        if accepted:
            yield Finding(
                code="missing-end",
                severity=Severity.WARNING,
                text=(
                    "The file has no end record and may be cut short; as asked, it was taken"
                    " as it is."
                ),
            )
            return
        self._faults.add(
            Fault(
                code="missing-end",
                text="the file has no end record",
                line=max(self._lines, 1),
                expected=expected,
                found="end of file",
            )
        )

    def require_data(self) -> None:
        """Note a file as faulty whose records are right and define no byte."""
        if not self._faults.count and not any(
            isinstance(item, Run) and item.data for item in self.items
        ):
            self._faults.add(
                Fault(
                    code="no-data",
                    text="no record of the file holds a data byte",
                    line=1,
                    expected="a data record",
                    found="none",
                )
            )

    def findings(self) -> Iterator[Finding]:
        """What is odd about the lines."""
        if self._blank.count:
            lines = (
                "an empty line" if self._blank.count == 1 else f"{self._blank.count} empty lines"
            )
            yield Finding(
                code="blank-lines",
                severity=Severity.WARNING,
                text=f"The file has {lines}, the first is line {self._blank.first}.",
            )
        if self._odd_marks.count:
            mark = self._grammar.mark.decode()
            yield Finding(
                code="lower-case-mark",
                severity=Severity.WARNING,
                text=(
                    f"Line {self._odd_marks.first} begins with '{mark.lower()}' where the format"
                    f" has '{mark}'."
                ),
            )

    def _read_block(self, block: bytes) -> None:
        """Read whole lines at once, those one by one that are not right."""
        # A file may be padded with line ends by the megabyte.
        if block[:1] in (b"\n", b"\r") and self._skip_blank(block):
            return
        found = None
        # Behind an end record each line is a fault of its own; a larger block is one endless line.
        if self._end_line is None and len(block) <= BLOCK:
            found = whole_file.read_block(self._grammar, self._with_marks(block), self._lines + 1)
        if found is None:
            self._read_lines(block)
            return
        # The last line may be cut short only where its line end is missing.
        cut_line = -1 if block.endswith(b"\n") else self._lines + found.lines
        for item in found.items:
            if isinstance(item, Unread):
                # In its place among the others, so that faults and records keep the order of the
                # file.
                self._read_line(item.line, item.text, cut_short=item.line == cut_line)
                continue
            self.items.append(item)
            if item.kind in self._grammar.end_types:
                self._end_line = item.line
        self._data_size += found.data_size
        require_data_size(self._data_size)
        if found.blank_lines:
            self._blank.note(found.blank_lines[0], len(found.blank_lines))
        self._lines += found.lines

    def _with_marks(self, block: bytes) -> bytes:
        """The block with the usual mark where lines begin with another one."""
        mark, also = self._grammar.mark, self._grammar.also_marks
        if not also or also not in block:
            return block
        at_starts = block.count(b"\n" + also) + block.startswith(also)
        # One stands inside a line: the line reader will say what is wrong there.
        if at_starts != block.count(also):
            return block
        # Lines before the first of them.
        before = block.count(b"\n", 0, block.index(also))
        self._odd_marks.note(self._lines + before + 1, at_starts)
        return block.replace(also, mark)

    def _skip_blank(self, block: bytes) -> bool:
        """Pass over a block of nothing but empty lines."""
        plain = block.replace(b"\r\n", b"\n")
        if plain.strip(b"\n"):
            return False
        self._blank.note(self._lines + 1, len(plain))
        self._lines += len(plain)
        return True

    def _read_lines(self, text: bytes) -> None:
        """Read line by line.

        The loop takes data records that are right in every respect in as few steps as it can,
        and leaves every other line to `_read_line`, which explains.
        """
        grammar = self._grammar
        mark, prefix, uncounted = grammar.mark[0], grammar.prefix, grammar.uncounted
        type_at, length_at, address_at = grammar.type_at, grammar.length_at, grammar.address_at
        shapes = self._shapes()
        run = _OpenRun()
        number, after = self._lines, -1
        cut_line = -1 if text.endswith(b"\n") else number + text.count(b"\n") + 1
        for line in _lines_of(text):
            number += 1
            try:
                body = binascii.unhexlify(prefix + line[1:])
                kind = body[type_at]
                size, address_end, total = shapes[kind]
                sound = (
                    # Chained: the length is as stated, and there is room for more than the head.
                    body[length_at] + uncounted == len(body) > size
                    and line[0] == mark
                    and sum(body) & 0xFF == total
                )
            except (binascii.Error, IndexError):
                sound = False
            if not sound:
                if line:
                    self._close(run)
                    after = -1
                    self._read_line(number, line, cut_short=number == cut_line)
                    shapes = self._shapes()
                else:
                    self._blank.note(number, 1)
                continue
            address = int.from_bytes(body[address_at:address_end], "big")
            # A record that goes on where the last one ended joins its run.
            if address != after or kind != run.kind:
                self._close(run)
                run.open(kind, address)
            data = body[size:-CHECKSUM_SIZE]
            run.parts.append(data)
            run.lines.append(number)
            after = address + len(data)
        self._close(run)
        self._lines = number

    def _shapes(self) -> list[_Shape]:
        # Behind an end record no line is sound, so that each goes to `_read_line`, which complains.
        return [_NO_SHAPE] * BYTE_VALUES if self._end_line else _data_shapes(self._grammar)

    def _close(self, run: _OpenRun) -> None:
        """Take the data records that were read one after the other."""
        if run.lines:
            closed = run.close()
            self.items.append(closed)
            self._data_size += len(closed.data)
            require_data_size(self._data_size)

    def _read_line(self, number: int, line: bytes, *, cut_short: bool) -> None:
        """Read a line that is not empty, and say what is wrong with it."""
        grammar = self._grammar
        if self._end_line is not None:
            self._faults.add(_after_end(grammar, number, line, self._end_line))
            self._faults.give_up_if_many()
            return
        try:
            record = parse_line(grammar, number, line)
        except LineError as error:
            self._faults.add(error.at_line(number, cut_short=cut_short))
            self._faults.give_up_if_many()
            self.items.append(Unread(number, line[:_SHOWN]))
            return
        if line[0] != grammar.mark[0]:
            self._odd_marks.note(number, 1)
        if record.kind in grammar.end_types:
            self._end_line = number
        if record.kind not in grammar.data_types:
            self.items.append(record)
            return
        run = _OpenRun()
        run.open(record.kind, record.address)
        run.parts.append(record.data)
        run.lines.append(number)
        self._close(run)


class _Noted:
    """Lines that something is to be said about: how many, and the first."""

    def __init__(self) -> None:
        self.count = 0
        self.first = 0

    def note(self, line: int, count: int) -> None:
        """Count some more lines, the first of which is `line`."""
        # Lines count from 1, so 0 says that there was none.
        self.first = self.first or line
        self.count += count


class _OpenRun:
    """Data records that follow each other, while they are read."""

    def __init__(self) -> None:
        self.kind = -1
        self.parts: list[bytes] = []
        self.lines: list[int] = []
        self._address = 0

    def open(self, kind: int, address: int) -> None:
        """Begin with a record of this type at this address."""
        self.kind, self._address = kind, address

    def close(self) -> Run:
        """The records so far; then there are none."""
        sizes = bytes(map(len, self.parts))
        run = Run(self.lines[0], self.kind, self._address, b"".join(self.parts), sizes, self.lines)
        self.parts, self.lines = [], []
        return run


_Shape = tuple[int, int, int]
"""Of the records of one type: bytes before the data, where the address ends, the sum."""
_NO_SHAPE = (1 << 30, 0, 0)
"""Longer than any line."""


@lru_cache
def _data_shapes(grammar: Grammar) -> list[_Shape]:
    """The shape of every type of data records, by type; no record has that of the others."""
    shapes = [_NO_SHAPE] * BYTE_VALUES
    for kind in grammar.data_types:
        end = grammar.address_at + grammar.types[kind].width
        shapes[kind] = grammar.size_before_data(kind), end, grammar.total_with(kind)
    return shapes


def _lines_of(text: bytes) -> list[bytes]:
    """Lines without LF or CR LF; nothing after a last line end."""
    lines = text.split(b"\n")
    if not lines[-1]:
        lines.pop()
    if b"\r" in text:
        return [line[:-1] if line.endswith(b"\r") else line for line in lines]
    return lines


def _split(text: bytes, size: int) -> Iterator[bytes]:
    """The text in parts of whole lines, of at most `size` characters where lines allow it."""
    start = 0
    while start < len(text):
        # The last line end within the size; where the line is longer, its own end.
        end = text.rfind(b"\n", start, start + size) + 1
        if end <= start:
            end = text.find(b"\n", start) + 1
        if len(text) - start <= size or not end:
            end = len(text)
        yield text[start:end]
        start = end


def _after_end(grammar: Grammar, number: int, line: bytes, end_line: int) -> Fault:
    """The fault of a line after the end record."""
    what = "record" if line[0] in grammar.mark + grammar.also_marks else "text"
    return Fault(
        code="data-after-end",
        text=f"{what} after the end record, which is line {end_line}",
        line=number,
        column=1,
        expected="end of file",
        found=show(line),
    )
