"""Counts, lists, spans and plurals in words, for every sentence: once."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from memtool.core.span import Span, format_span, format_span_with_length


def count_of(number: int, singular: str, plural: str | None = None) -> str:
    """``1 byte``, ``2 bytes``, ``4,096 bytes``."""
    word = singular if number == 1 else (plural or f"{singular}s")
    return f"{number:,} {word}"


def spaced(name: str) -> str:
    """A kind, a stage, a result: its name with blanks, as a person writes it."""
    return name.replace("-", " ")


def byte_pairs(data: bytes) -> str:
    """``86 3B``: bytes as they stand in a row."""
    return data.hex(" ").upper()


def grouped_digest(sha256: str) -> str:
    """A digest in groups of sixteen digits, so that it can be compared by eye and never cut."""
    return " ".join(sha256[at : at + 16] for at in range(0, len(sha256), 16))


def identical_reads(number: int) -> str:
    """``2 identical reads``: what is said of reads of one chip that hold the same."""
    return count_of(number, "identical read")


def tell_reads(reads: int, *, agree: bool | None, why_single: str | None = None) -> str:
    """How many reads there are, and whether they agree; of a single one why there is no other."""
    if agree is None and reads > 1:
        return f"majority of {count_of(reads, 'read')}, {why_single or 'no reason on record'}"
    if agree is None:
        return f"a single read ({why_single or 'no reason on record'})"
    return identical_reads(reads) if agree else f"{count_of(reads, 'read')} that DIFFER"


def listed(names: Iterable[str]) -> str:
    """``A``, ``A and B``, ``A, B and C``; the first four where there are more."""
    items = list(names)
    if len(items) > 4:
        items = [*items[:4], f"{len(items) - 4} more"]
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"


def listed_spans(spans: Sequence[Span], most: int = 3, *, lengths: bool = False) -> str:
    """The first few spans and how many more: ``0x0010-0x0011, 0x0020 and 4 more``.

    Args:
        spans: In the order to be told.
        most: How many are shown.
        lengths: Whether each has its length beside it.
    """
    show = format_span_with_length if lengths else format_span
    shown = ", ".join(map(show, spans[:most]))
    return shown if len(spans) <= most else f"{shown} and {len(spans) - most:,} more"


def modules_word(number: int) -> str:
    """``the one module``, ``all 3 modules``, ``both modules``."""
    return {1: "the one module", 2: "both modules"}.get(number, f"all {number} modules")
