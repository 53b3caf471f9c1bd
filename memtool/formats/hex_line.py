"""What Intel HEX and S-record files share: lines, and the hex digits in them.

Everything here explains: a line that is not right becomes a `LineError` with its column,
what was expected and what was found.
"""

from __future__ import annotations

import binascii
from collections.abc import Iterator

from memtool.core.finding import Finding, Severity
from memtool.errors import Fault

_HEX_DIGITS = frozenset(b"0123456789abcdefABCDEF")
_OF_CUT_LINES = {"record-short", "record-length", "odd-digits"}
_UTF8_BOM = b"\xef\xbb\xbf"


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


def iter_lines(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Lines with their numbers from 1, without LF or CR LF; nothing after a last line end."""
    number = start = 0
    while start < len(data):
        number += 1
        end = data.find(b"\n", start)
        end = len(data) if end < 0 else end
        line = data[start:end]
        yield number, line[:-1] if line.endswith(b"\r") else line
        start = end + 1


def show_byte(byte: int) -> str:
    """A character as it can stand in a sentence: ``'G'``, ``0x00``."""
    return f"'{chr(byte)}'" if 0x20 < byte < 0x7F else f"0x{byte:02X}"


def require_mark(line: bytes, marks: bytes, *, name: str) -> None:
    """Check a line's first character, given the characters that may begin a record.

    Raises:
        LineError: it begins with something else.
    """
    if line[0] in marks:
        return
    expected = f"'{chr(marks[0])}'"
    if line.startswith(_UTF8_BOM):
        raise LineError(
            "byte-order-mark",
            "the file begins with a byte order mark (EF BB BF), not with a record",
            column=1,
            expected=expected,
            found="EF BB BF",
        )
    found = show_byte(line[0])
    text = f"{name} record begins with {expected}, this line with {found}"
    if line[0] in b" \t":
        text = f"blanks before the {name} record"
    raise LineError("record-mark", text, column=1, expected=expected, found=found)


def decode_digits(line: bytes, start: int) -> bytes:
    """Bytes of the hex digits from `start` to the end of `line`.

    Raises:
        LineError: something else than hex digits, or an odd number of them.
    """
    try:
        return binascii.unhexlify(line[start:])
    except binascii.Error:
        raise _explain_digits(line, start) from None


def _explain_digits(line: bytes, start: int) -> LineError:
    for index in range(start, len(line)):
        byte = line[index]
        if byte in _HEX_DIGITS:
            continue
        if byte == 0x0D:
            return LineError(
                "line-end",
                f"carriage return without line feed in column {index + 1}",
                column=index + 1,
                expected="CR LF",
                found="CR",
            )
        return LineError(
            "not-hex",
            f"{show_byte(byte)} in column {index + 1} is not a hex digit",
            column=index + 1,
            expected="hex digit",
            found=show_byte(byte),
        )
    count = len(line) - start
    return LineError(
        "odd-digits",
        f"the record has {count} hex digits, an odd number",
        column=len(line),
        expected="an even number of hex digits",
        found=str(count),
    )


def after_end(number: int, line: bytes, marks: bytes, end_line: int) -> Fault:
    """The fault of a line after the end record; `marks` begin a record."""
    what = "record" if line[0] in marks else "text"
    return Fault(
        code="data-after-end",
        text=f"{what} after the end record, which is line {end_line}",
        line=number,
        column=1,
        expected="end of file",
        found=line[:16].decode("ascii", "backslashreplace"),
    )


def blank_lines(lines: list[int]) -> Finding:
    """The warning about empty lines, given their numbers."""
    count = "an empty line" if len(lines) == 1 else f"{len(lines)} empty lines"
    return Finding(
        code="blank-lines",
        severity=Severity.WARNING,
        text=f"The file has {count}, the first is line {lines[0]}.",
    )


def missing_end_accepted() -> Finding:
    """The warning that stays with a file whose missing end was accepted."""
    return Finding(
        code="missing-end",
        severity=Severity.WARNING,
        text="The file has no end record and may be cut short; as asked, it was taken as it is.",
    )


def no_data() -> Fault:
    """The fault of a file whose records are right and define no byte."""
    return Fault(
        code="no-data",
        text="no record of the file holds a data byte",
        line=1,
        expected="a data record",
        found="none",
    )
