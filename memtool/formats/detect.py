"""Tells a file's format by its content, and says so where it is something else.

1. Text with record-like lines is Intel HEX or S-record, however damaged: the strict
   readers then say what is wrong. It is never taken for raw binary.
2. Other text (hex dumps, blank lines, documents) and files with a known signature are
   refused; ``--format raw`` reads them anyway.
3. Everything else is raw binary. A memory may begin with any bytes.
"""

from __future__ import annotations

import re

from memtool.core.read_options import ImageFormat
from memtool.errors import ImageFormatError
from memtool.formats.parsed import require_bytes, whole_file_error
from memtool.formats.signatures import find_foreign_kind

_SAMPLE = 64 * 1024
"""Bytes from the file's start that decide whether it is text with records."""
_TEXT = bytes([0x09, 0x0A, 0x0C, 0x0D, 0x1A, *range(0x20, 0x7F)])
_BLANK = b" \t\r\n\x0c\x1a"
_HEX_DIGITS = b"0123456789abcdefABCDEF"

_RECORD_LINES = {
    ImageFormat.INTEL_HEX: re.compile(rb"(?:^|[\r\n])[ \t]*:[ \t]*[0-9A-Fa-f]{8}"),
    ImageFormat.S_RECORD: re.compile(rb"(?:^|[\r\n])[ \t]*[Ss][0-9][0-9A-Fa-f]{8}"),
}
_RECORD_STARTS = {
    ImageFormat.INTEL_HEX: re.compile(rb"\s*:(?:[0-9A-Fa-f]|[ \t]*[\r\n])"),
    ImageFormat.S_RECORD: re.compile(rb"\s*[Ss][0-9][0-9A-Fa-f]{2}"),
}
_RECORD_FIRST = {
    ImageFormat.INTEL_HEX: re.compile(rb"\s*:[0-9A-Fa-f]{10,}[ \t]*[\r\n]"),
    ImageFormat.S_RECORD: re.compile(rb"\s*[Ss][0-9][0-9A-Fa-f]{8,}[ \t]*[\r\n]"),
}
"""A whole first line; what follows may then be anything and is still explained as a record."""
# Compiled when first used: most memories are never asked.
_DUMP = rb"""
    (?: ^ | (?<=[\r\n]) ) [ \t]*
    (?: (?:0[xX])? [0-9A-Fa-f]{4,16} [hH]? [:|]? [ \t]+ )?   # address column
    (?: (?:0[xX]|\\x)? [0-9A-Fa-f]{2,8} [hH]? [ \t,;|:-]* ){4,}
    """
"""Lines of a hex dump, with ``re.VERBOSE``."""
_COLOURS = re.compile(rb"\x1b\[[0-?]*[ -/]*[@-~]")
"""A control sequence of a terminal. Source: ECMA-48, section 5.4."""
_UTF8_MARK = b"\xef\xbb\xbf"


def detect_format(data: bytes) -> ImageFormat:
    """The format of a file, told by its content alone.

    Raises:
        ImageFormatError: empty, or plainly something else than a memory image.
    """
    require_bytes(data)
    sample = data[:_SAMPLE]
    _require_no_wide_text(sample)
    _require_no_colours(data)
    bare = sample.removeprefix(_UTF8_MARK)
    records = _find_record_format(bare)
    if records is not None:
        return records
    kind = find_foreign_kind(data[:_SAMPLE] if data[:2] != b"BM" else data)
    if kind is not None:
        raise _foreign("foreign-file", f"{kind}, not a memory image", found=kind)
    if _is_text(data.removeprefix(_UTF8_MARK)):
        _require_no_text(data)
    elif _is_foreign_text(data):
        raise _foreign("text-file", "text, not a memory image", found="text")
    return ImageFormat.RAW


def _require_no_wide_text(sample: bytes) -> None:
    """Refuse records that were saved as UTF-16.

    Raises:
        ImageFormatError: they were.
    """
    for high in (0, 1):
        text = sample[1 - high :: 2]
        if len(text) < 8 or any(sample[high + 2 : _SAMPLE & ~1 : 2]):
            continue
        text = text.lstrip(b"\xfe\xff")
        kind = _find_record_format(text)
        if kind is not None:
            raise whole_file_error(
                "the file has two bytes a character (UTF-16) where hex records have one",
                code="byte-order-mark",
                expected="one byte a character",
                found="UTF-16",
                line=1,
                next_step="save it again as plain text without a byte order mark",
            )


def _require_no_colours(data: bytes) -> None:
    """Refuse text that a program has coloured for a terminal: records, a dump, a document.

    Raises:
        ImageFormatError: it is.
    """
    if b"\x1b[" not in data[:_SAMPLE]:
        return
    # By chance most large memories hold such a sequence somewhere: the start tells first.
    if not _may_be_text(_COLOURS.sub(b"", data[:_SAMPLE])):
        return
    plain = _COLOURS.sub(b"", data)
    is_text = _is_text(plain) or _is_foreign_text(plain)
    if len(plain) < len(data) and is_text and plain.translate(None, _BLANK):
        raise whole_file_error(
            "the file is text with terminal colour codes, not a memory image",
            code="coloured-text",
            expected="a memory image",
            found="ESC [ in text",
            line=data.count(b"\n", 0, data.index(b"\x1b[")) + 1,
            next_step="save it again without colours; '--format raw' reads it anyway",
        )


def _find_record_format(sample: bytes) -> ImageFormat | None:
    """The format whose records the text seems to have, right or wrong."""
    for kind, first in _RECORD_FIRST.items():
        if first.match(sample):
            return kind
    foreign = len(sample.translate(None, _TEXT))
    if foreign * 4 > len(sample):
        return None
    counts = {kind: len(line.findall(sample)) for kind, line in _RECORD_LINES.items()}
    best = max(counts, key=lambda kind: counts[kind])
    if counts[best]:
        return best
    if not foreign:
        for kind, start in _RECORD_STARTS.items():
            if start.match(sample):
                return kind
    return None


def _may_be_text(start: bytes) -> bool:
    """Whether the start of a file is text in ASCII or UTF-8: no other control characters."""
    return not start.translate(None, _TEXT + bytes(range(0x80, 0x100)))


def _is_text(data: bytes) -> bool:
    # The start first: most memories show there that they are none, and it is read at once.
    return not data[:_SAMPLE].translate(None, _TEXT) and not data.translate(None, _TEXT)


def _require_no_text(data: bytes) -> None:
    """Refuse what is text from its first byte to its last.

    Raises:
        ImageFormatError: blank lines, hex digits, or a document.
    """
    solid = data.translate(None, _BLANK)
    lines = data.count(b"\n") + data.count(b"\r")
    if not solid:
        # Blanks alone may be a memory's filling; with line ends they are lines.
        if lines:
            raise _foreign("blank-file", "blank lines only", found="blank lines", line=1)
        return
    if _is_hex_text(data, solid):
        raise _foreign(
            "hex-text",
            "text of hex digits, neither Intel HEX nor S-record",
            found="hex digits as text",
            line=1,
        )
    if lines >= 2 and len(data) >= 64:
        raise _foreign("text-file", "text, not a memory image", found="text")


def _is_hex_text(data: bytes, solid: bytes) -> bool:
    digits = solid.translate(None, b"xXhH,;|-:")
    if not digits.translate(None, _HEX_DIGITS):
        # One character over and over may be the filling of a memory.
        return len(digits) >= 16 and len(set(digits)) >= 3
    sample = data[:_SAMPLE]
    return 2 * len(re.findall(_DUMP, sample, re.VERBOSE)) > sample.count(b"\n") > 0


def _is_foreign_text(data: bytes) -> bool:
    """Text in UTF-8 with other letters than ASCII: several lines, no control characters."""
    if len(data) < 64 or data.count(b"\n") < 2:
        return False
    try:
        text = data[:_SAMPLE].decode("utf-8")
    except UnicodeDecodeError as error:
        if error.start < _SAMPLE - 4:
            return False
        text = data[: error.start].decode("utf-8")
    return all(character.isprintable() or character in "\t\r\n\ufeff" for character in text)


def _foreign(code: str, what: str, *, found: str, line: int | None = None) -> ImageFormatError:
    return whole_file_error(
        f"the file is {what}",
        code=code,
        expected="a memory image",
        found=found,
        line=line,
        next_step="'--format raw' reads it anyway",
    )
