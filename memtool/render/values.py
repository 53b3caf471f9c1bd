"""One fact, worded one way: a field, a checksum, a digest, a verdict, bytes, a chip, a span.

For each there is one function that says it in words, safe to print, and where scripts read
it one that gives it as a JSON value. No other module words one. Spans in words are
`memtool.core.span.format_span`.

* Bytes in words are pairs of upper-case digits, as in a row of bytes: ``86 3B``. In JSON
  they are lower-case without blanks: ``863b``.
* A number is shown in both ways of writing: ``60312 (0xEB98)``.
* The result of a check is named by its own name, everywhere: ``pass``, ``fail``,
  ``not checked``, ``you decide``. A page may print it bold, a terminal in colour; the word
  stays. Only JSON says ``decide``.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from contextlib import suppress
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from memtool.core.finding import Verdict
from memtool.core.layouts.region import FieldType, RegionKind
from memtool.core.span import Span, format_span_with_length
from memtool.core.words import byte_pairs, count_of, grouped_digest, spaced, tell_reads
from memtool.lazy import late_module
from memtool.render.words import safe_text

if TYPE_CHECKING:
    from memtool.core.checksums.checksum import ChecksumResult
    from memtool.core.job.setup_list import SetupItem
    from memtool.core.layouts import fields
    from memtool.core.layouts.fields import DecodedField, FieldValue
else:
    fields = late_module("memtool.core.layouts.fields")

SIGNS = {
    RegionKind.PROTECTED: "P",
    RegionKind.MODULE_IDENTITY: "M",
    RegionKind.VEHICLE_IDENTITY: "V",
    RegionKind.STATE: "S",
    RegionKind.CONFIGURATION: "F",
    RegionKind.CHECKSUM: "C",
    RegionKind.CALIBRATION: "A",
    RegionKind.CODE: "X",
    RegionKind.UNUSED: "u",
}
"""The letter of each kind on the map. Where a cell holds several, the first here shows."""
MOST_BYTES = 32
"""Of a field that are shown; the JSON document has them all."""
NO_BAD_SIGN = "no sign of a bad read"
"""What is said of a read of which no check says anything of weight."""
DECIDED = "decided"
"""The result of a point that a person has judged."""
MOST_UNNAMED = 6
"""Places to set without a name that are listed."""
NOT_SHOWN = "protected: not shown"
"""What stands in the place of protected bytes."""


def date_words(time: str) -> str:
    """``26 November 2026``: the day of a time in ISO 8601, as a reader writes it.

    The month is a word, since 3/4 is another day elsewhere. What is no such time, as a forged
    journal may have it, is given back as it is.
    """
    if not _DATE.match(time):
        return time
    year, month, day = time[:10].split("-")
    return f"{int(day)} {_MONTHS[int(month) - 1]} {year}"


def time_words(time: str) -> str:
    """``26 November 2026, 14:05``: a time in ISO 8601, to the minute, in its own zone."""
    return f"{date_words(time)}, {time[11:16]}" if _DATE.match(time) else time


_DATE = re.compile(r"[0-9]{4}-(?:0[1-9]|1[0-2])-[0-9]{2}")
_MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July", "August"),
    *("September", "October", "November", "December"),
)


def bytes_words(data: bytes) -> str:
    """``86 3B``; a dash for none."""
    return byte_pairs(data) or "-"


def digits_words(digits: str) -> str:
    """As `bytes_words`, from the digits of a record; signs that hide a byte stay."""
    if digits.isalnum():
        # Nearly always, and of a large region they are millions.
        with suppress(ValueError):
            return byte_pairs(bytes.fromhex(digits))
    return " ".join(digits[at : at + 2] for at in range(0, len(digits), 2)).upper() or "-"


def short_bytes_words(data: bytes | None, most: int) -> str:
    """The first `most` bytes and a mark that there are more; None: they are protected."""
    if data is None:
        return NOT_SHOWN
    return bytes_words(data) if len(data) <= most else f"{bytes_words(data[:most])} …"


def folded_bytes_words(data: bytes, most: int) -> str:
    """As `short_bytes_words`; one value throughout is said once: ``FF, 17 times``."""
    if len(data) > 2 and len(set(data)) == 1:
        return f"{data[0]:02X}, {len(data):,} times"
    return short_bytes_words(data, most)


def digest_words(sha256: str) -> str:
    """A digest in groups of sixteen digits, so that it can be compared by eye and never cut."""
    return grouped_digest(sha256)


def bytes_value(data: bytes) -> str | None:
    """JSON: lower-case hex; null where there is none."""
    return data.hex() or None


def field_words(field: DecodedField) -> str:
    """The value, or why there is none; never that of a protected region."""
    match field.state:
        case fields.FieldState.PROTECTED:
            return NOT_SHOWN
        case fields.FieldState.UNDEFINED:
            return "not in the image"
        case fields.FieldState.BLANK:
            return "blank"
        case fields.FieldState.FAULTY:
            why = f"not readable: {safe_text(field.reason or 'no value of its type')}"
            return why if field.value is None else f"{_plain(field.value)} ({why})"
        case fields.FieldState.DECODED if field.type is FieldType.BYTES:
            digits = str(field.value)
            more = len(digits) // 2 - MOST_BYTES
            shown = digits_words(digits[: 2 * MOST_BYTES])
            return shown if more <= 0 else f"{shown} and {count_of(more, 'more byte')}"
        case fields.FieldState.DECODED:
            return _plain(field.value)


def _plain(value: FieldValue | None) -> str:
    match value:
        case None:
            return "no value"
        case str():
            return safe_text(value)
        case int():
            return f"{value} (0x{value:X})"
        case _:
            return ", ".join(f"{safe_text(bit['name'])} {bit['value']}" for bit in value)


def field_value(field: DecodedField) -> dict[str, Any]:
    """JSON; named bits are a list of names and numbers."""
    return {
        "name": field.name,
        "kind": field.kind.value,
        **span_value(field.span),
        "value": list(field.value) if isinstance(field.value, tuple) else field.value,
    }


def setup_words(item: SetupItem) -> str:
    """What is to be set, or where the two modules differ if no layout names it."""
    if item.wanted is None:
        return f"{format_span_with_length(item.span)}: no layout names it"
    return f"{safe_text(item.wanted.name)}: {field_words(item.wanted)}"


def setup_lines(items: Sequence[SetupItem]) -> list[str]:
    """Each item in words; of a long list without names the first, and how many more."""
    named = [setup_words(item) for item in items if item.wanted is not None]
    others = [item for item in items if item.wanted is None]
    lines = [*named, *(setup_words(item) for item in others[:MOST_UNNAMED])]
    left = others[MOST_UNNAMED:]
    if left:
        size = count_of(sum(len(item.span) for item in left), "byte")
        lines.append(f"{count_of(len(left), 'more place')} with {size}")
    return lines


def setup_value(item: SetupItem) -> dict[str, Any]:
    """JSON: the value as in a field; null where no layout names it."""
    wanted = item.wanted
    value = wanted.value if wanted is not None else None
    return {
        "name": item.name,
        **span_value(item.span),
        "value": list(value) if isinstance(value, tuple) else value,
        "result": item.result.value,
    }


def verdict_words(result: StrEnum) -> str:
    """The name of a check's result, or of a stage's verdict, in words: ``not checked``."""
    return "you decide" if result is Verdict.DECIDE else name_words(result)


def name_words(name: StrEnum) -> str:
    """A kind, a stage, a check digit's state: its name with blanks, as a person writes it."""
    return spaced(name)


def checksum_words(result: ChecksumResult) -> str:
    """What is stored, the result, and what it should be or why it was not checked."""
    words = f"{bytes_words(result.stored)}: {verdict_words(result.result)}"
    if result.result is Verdict.FAIL:
        return f"{words}, computed {bytes_words(result.computed)}"
    return words if result.reason is None else f"{words}, {safe_text(result.reason)}"


def checksum_value(result: ChecksumResult) -> dict[str, Any]:
    """JSON: both values as they lie in memory; null where unknown."""
    return {
        "name": result.name,
        "algorithm": result.algorithm,
        "stored": bytes_value(result.stored),
        "computed": bytes_value(result.computed),
        "result": result.result.value,
    }


def reads_words(reads: int, *, agree: bool | None, single_read_reason: str | None = None) -> str:
    """How many reads there are, and whether they agree; of a single one why there is no other."""
    return safe_text(tell_reads(reads, agree=agree, why_single=single_read_reason))


def reads_cell(reads: int, *, agree: bool | None) -> str:
    """As `reads_words`, for a cell of a table: ``2 identical``, ``3 DIFFER``, ``1 read``."""
    if agree is None:
        return f"majority of {reads}" if reads > 1 else "1 read"
    return f"{reads:,} identical" if agree else f"{reads:,} DIFFER"


def short_digest(sha256: str) -> str:
    """Enough of a digest to tell files apart: its first twelve digits."""
    return f"{sha256[:12]}..."


def chip_words(chip: str, size: int) -> str:
    """``95160, 2,048 bytes``."""
    return f"{safe_text(chip)}, {count_of(size, 'byte')}"


def span_value(span: Span) -> dict[str, int]:
    """JSON: half open."""
    return {"start": span.start, "end": span.end}


def span_values(spans: Iterable[Span]) -> list[dict[str, int]]:
    """JSON: half open, in the order given."""
    return [span_value(span) for span in spans]
