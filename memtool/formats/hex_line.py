"""One line as a record, by the grammar of its format; what is wrong with it, if it is none.

Everything here explains: a line that is not right becomes a `LineError` with its column,
what was expected and what was found.
"""

from __future__ import annotations

import binascii
import re

from memtool.errors import Fault
from memtool.formats.grammar import CHECKSUM_SIZE, Grammar, Record

_NO_HEX_DIGIT = re.compile(rb"[^0-9A-Fa-f]")
_OF_CUT_LINES = {"record-short", "record-length", "odd-digits"}
_UTF8_BOM = b"\xef\xbb\xbf"
_SHOWN = 16
"""Characters of a line that a fault repeats."""


class LineError(Exception):
    """One line is not a record. Never leaves `memtool.formats`."""

    def __init__(
        self,
        code: str,
        text: str,
        *,
        column: int | None = None,
        expected: str | None = None,
        found: str | None = None,
    ) -> None:
        super().__init__(text)
        self.code = code
        self.text = text
        self.column = column
        self.expected = expected
        self.found = found

    def at_line(self, line: int, *, cut_short: bool = False) -> Fault:
        """The fault with its place; `cut_short` where the file ends in this line."""
        cut = cut_short and self.code in _OF_CUT_LINES
        return Fault(
            code="cut-short" if cut else self.code,
            text=f"the file ends inside this record: {self.text}" if cut else self.text,
            line=line,
            column=self.column,
            expected=self.expected,
            found=self.found,
        )


def parse_line(grammar: Grammar, number: int, line: bytes) -> Record:
    """One line, not empty, as a record.

    Raises:
        LineError: any byte of it is not right.
    """
    _require_mark(grammar, line)
    if grammar.prefix:
        # The type is a digit of its own and says how long the rest must be.
        _require_known_digit(grammar, line)
    body = _decode(grammar, line)
    kind = body[grammar.type_at]
    name = grammar.name_of(kind)
    _require_length(grammar, line, body, name)
    right = (grammar.total - sum(body[grammar.summed_from : -1])) & 0xFF
    if body[-1] != right:
        raise LineError(
            "record-checksum",
            f"{name}: the checksum is {body[-1]:02X}, the bytes give {right:02X}",
            column=len(line) - 1,
            expected=f"{right:02X}",
            found=f"{body[-1]:02X}",
        )
    if kind not in grammar.types:
        raise _unknown_type(grammar, kind)
    size = grammar.size_before_data(kind)
    data = body[size:-1]
    _require_data_size(grammar, kind, body, data)
    start = grammar.address_at
    address = int.from_bytes(body[start : start + grammar.types[kind].width], "big")
    return Record(number, kind, address, data)


def show(line: bytes) -> str:
    """The beginning of a line as it can stand in a sentence."""
    return line[:_SHOWN].decode("ascii", "backslashreplace")


def _show_byte(byte: int) -> str:
    """A character as it can stand in a sentence: ``'G'``, ``0x00``."""
    return f"'{chr(byte)}'" if 0x20 < byte < 0x7F else f"0x{byte:02X}"


def _require_mark(grammar: Grammar, line: bytes) -> None:
    if line[0] in grammar.mark + grammar.also_marks:
        return
    expected = f"'{grammar.mark.decode()}'"
    if line.startswith(_UTF8_BOM):
        raise LineError(
            "byte-order-mark",
            "the file begins with a byte order mark (EF BB BF), not with a record",
            column=1,
            expected=expected,
            found="EF BB BF",
        )
    found = _show_byte(line[0])
    text = f"{grammar.name} record begins with {expected}, this line with {found}"
    if line[0] in b" \t":
        text = f"blanks before the {grammar.name} record"
    raise LineError("record-mark", text, column=1, expected=expected, found=found)


def _require_known_digit(grammar: Grammar, line: bytes) -> None:
    kind = line[1] - 0x30 if len(line) > 1 else -1
    if kind not in grammar.types:
        found = line[:2].decode("ascii", "backslashreplace")
        reserved = ", which is reserved" if kind == 4 else ""
        raise LineError(
            "record-type",
            f"record type {found}{reserved}; the format has {grammar.types_in_words}",
            column=2,
            expected=grammar.types_in_words,
            found=found,
        )


def _unknown_type(grammar: Grammar, kind: int) -> LineError:
    return LineError(
        "record-type",
        f"record type {kind:02X} is outside the published format,"
        f" which has {grammar.types_in_words}",
        column=grammar.column_of(grammar.type_at),
        expected=grammar.types_in_words,
        found=f"{kind:02X}",
    )


def _decode(grammar: Grammar, line: bytes) -> bytes:
    """The body, long enough for the shortest record of its type."""
    try:
        body = binascii.unhexlify(grammar.prefix + line[1:])
    except binascii.Error:
        error = _explain_digits(line, 1 + len(grammar.prefix))
        if error.code != "line-end":
            _explain_text_after(grammar, line)
        raise error from None
    kind = body[grammar.type_at] if len(body) > grammar.type_at else -1
    known = grammar.types.get(kind, min(grammar.types.values(), key=lambda each: each.width))
    shortest = grammar.head_size + known.width + CHECKSUM_SIZE
    if len(body) < shortest:
        # A type that is a digit is no byte of the line.
        least, given = (count - len(grammar.prefix) for count in (shortest, len(body)))
        raise LineError(
            "record-short",
            f"the record has {given} bytes, the shortest has {least}",
            column=len(line),
            expected=f"{least} bytes or more",
            found=str(given),
        )
    return body


def _explain_digits(line: bytes, start: int) -> LineError:
    odd = _NO_HEX_DIGIT.search(line, start)
    if odd is None:
        count = len(line) - start
        return LineError(
            "odd-digits",
            f"the record has {count} hex digits, an odd number",
            column=len(line),
            expected="an even number of hex digits",
            found=str(count),
        )
    column = odd.start() + 1
    if odd[0] == b"\r":
        return LineError(
            "line-end",
            f"carriage return without line feed in column {column}",
            column=column,
            expected="CR LF",
            found="CR",
        )
    found = _show_byte(line[odd.start()])
    return LineError(
        "not-hex",
        f"{found} in column {column} is not a hex digit",
        column=column,
        expected="hex digit",
        found=found,
    )


def _require_length(grammar: Grammar, line: bytes, body: bytes, name: str) -> None:
    given, count = body[grammar.length_at], len(body) - grammar.uncounted
    if given == count:
        return
    _explain_text_after(grammar, line)
    fits = count < 0x100
    raise LineError(
        "record-length",
        f"{name}: the length byte {given:02X} says {given} {grammar.counted}, the line has {count}",
        column=grammar.column_of(grammar.length_at),
        expected=f"{count:02X}" if fits else f"{given} {grammar.counted}",
        found=f"{given:02X}" if fits else str(count),
    )


def _require_data_size(grammar: Grammar, kind: int, body: bytes, data: bytes) -> None:
    known = grammar.types[kind]
    if known.data_size is None or len(data) == known.data_size:
        return
    given = body[grammar.length_at]
    raise LineError(
        "record-length",
        f"{known.name}: {len(data)} data bytes, this type has {known.data_size or 'none'}",
        column=grammar.column_of(grammar.length_at),
        expected=f"{given - len(data) + known.data_size:02X}",
        found=f"{given:02X}",
    )


def _explain_text_after(grammar: Grammar, line: bytes) -> None:
    """Say so where the line begins with a whole, right record and then goes on.

    Raises:
        LineError: it does.
    """
    size = grammar.column_of(grammar.length_at) + 1
    try:
        given = binascii.unhexlify(grammar.prefix + line[1:size])[grammar.length_at]
        end = grammar.column_of(given + grammar.uncounted) - 1
        body = binascii.unhexlify(grammar.prefix + line[1:end])
    except (binascii.Error, IndexError):
        return
    whole = len(body) == given + grammar.uncounted and len(line) > end
    if not whole or sum(body[grammar.summed_from :]) & 0xFF != grammar.total:
        return
    count = len(line) - end
    raise LineError(
        "text-after-record",
        f"{grammar.name_of(body[grammar.type_at])} is complete, then"
        f" {count} more character{'s' if count > 1 else ''} follow"
        f"{'s' if count == 1 else ''} in column {end + 1}",
        column=end + 1,
        expected="end of line",
        found=show(line[end:]),
    )
