"""The module's own identity: texts and dates that every module holds at the same place.

Rules
-----
1. A text is a run of at least five printable characters in every module, letters, digits
   and ``-./_ `` mostly, that begins with a letter or digit once blanks are cut. A run of one
   repeated character is filler.
2. It ends where any module has something unprintable. A neighbour that is printable in all
   modules by accident (a checksum byte) is cut off when the checksum is found.
3. A text that differs is a serial number or the like; one that is equal in all is a part
   number or a level. Both stay with the module: neither is ever proposed for blanking.
4. A date is three or four bytes of BCD that are a day between 1990 and 2049 in every
   module, and differ; of three bytes only close to a text or between erased bytes, where
   at least two of the three differ: settings look like dates, too.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from memtool.core.drafting.assembly import Assembly
from memtool.core.drafting.draft import Confidence
from memtool.core.drafting.survey import Mask, Survey
from memtool.core.layouts.layout import FieldType, RegionKind
from memtool.core.span import Span
from memtool.core.words import modules_word

_SHORTEST = 5
_LIKELY_FROM = 6
_LONG_DATE = 4
_TWO_DIGITS = [int(f"{number:02d}", 16) for number in range(100)]
"""The bytes that are two decimal digits."""
_NEAR = 4
"""Bytes between a text and a date that belongs to it."""
_WORDY = frozenset(b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-./_ ")
_ENDS = frozenset(b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789")
_PADDING = b" \x00"


def add_texts(assembly: Assembly) -> None:
    """Add every text that is in all modules, the references included."""
    survey = assembly.survey
    wordy = np.isin(survey.all_rows, list(_WORDY)).all(axis=0) & ~assembly.claims.taken
    for run in survey.runs_of(wordy):
        for span in _trimmed(survey.texts_at(run), run):
            texts = survey.texts_at(span)
            if not _is_text(texts):
                continue
            differs = len(set(texts)) > 1
            held = modules_word(len(texts))
            if differs:
                sentence = "Each module holds a different text here, perhaps a serial number."
            else:
                sentence = (
                    f"{held.capitalize()} hold the same text: perhaps a part number or a level."
                    if len(texts) > 1
                    else "A text; one module alone does not show what kind."
                )
            sure = len(span) >= _LIKELY_FROM and _has_digits(texts)
            assembly.add(
                "serial or date text" if differs else "text, equal in all",
                span,
                RegionKind.MODULE_IDENTITY,
                type_=FieldType.ASCII,
                evidence=[sentence, "It stays with the module."],
                confidence=Confidence.LIKELY if sure else Confidence.POSSIBLE,
            )


def add_dates(assembly: Assembly) -> None:
    """Add what is a date in BCD in every module and differs between them."""
    survey = assembly.survey
    for length in (_LONG_DATE, 3):
        for start in _places_of_digits(survey, length):
            span = Span(start, start + length)
            if not (assembly.claims.is_free(span) or _begins_as_padding(assembly, span)):
                continue
            texts = survey.texts_at(span)
            if len(set(texts)) < 2 or len(survey.configured) < 2:
                continue
            order = _date_order([*texts, *survey.reference_at(span)])
            if order is None or (length == 3 and not _may_be_short_date(assembly, span)):
                continue
            if not assembly.make_room(span):
                continue
            assembly.add(
                "date",
                span,
                RegionKind.MODULE_IDENTITY,
                type_=FieldType.BCD,
                evidence=[
                    (
                        f"A date in BCD ({order}), different in each module: perhaps when it was"
                        " made."
                    ),
                    "It stays with the module.",
                ],
                confidence=Confidence.LIKELY if length == _LONG_DATE else Confidence.POSSIBLE,
            )


def _places_of_digits(survey: Survey, length: int) -> list[int]:
    """Addresses from which on so many bytes are decimal digits in all modules, and differ."""
    rows = survey.all_rows
    # Shifted by 0 to length - 1 and combined: true where so many begin.
    digits: Mask = np.asarray(np.isin(rows, _TWO_DIGITS).all(axis=0), bool)
    if len(digits) < length:
        return []
    last = len(digits) - length + 1
    whole = np.logical_and.reduce([digits[shift : shift + last] for shift in range(length)])
    varied = np.logical_or.reduce([survey.varies[shift : shift + last] for shift in range(length)])
    return [survey.address(int(place)) for place in np.flatnonzero(whole & varied)]


def _begins_as_padding(assembly: Assembly, span: Span) -> bool:
    """Whether a text seems to reach one blank into it: the 20 of a year is a blank, too."""
    if len(span) != _LONG_DATE or not assembly.survey.covers(span):
        return False
    first, rest = Span(span.start, span.start + 1), Span(span.start + 1, span.end)
    return assembly.claims.is_free(rest) and any(
        guess.region.kind is RegionKind.MODULE_IDENTITY for guess in assembly.regions_over(first)
    )


def _may_be_short_date(assembly: Assembly, span: Span) -> bool:
    survey = assembly.survey
    if int(survey.varies[survey.slice_of(span)].sum()) < 2:
        return False
    if assembly.claims.is_chunk(span):
        return True
    near = Span(max(0, span.start - _NEAR), span.end + _NEAR)
    return any(
        guess.region.kind is RegionKind.MODULE_IDENTITY for guess in assembly.regions_over(near)
    )


def _trimmed(texts: Sequence[bytes], run: Span) -> Iterator[Span]:
    """The run without blanks at its start; none if it is short.

    Blanks at the end stay: they pad a field that is longer in other modules.
    """
    # The field begins where the earliest of the texts does.
    lead = min(len(text) - len(text.lstrip(_PADDING)) for text in texts)
    if len(run) - lead >= _SHORTEST:
        yield Span(run.start + lead, run.end)


def _is_text(texts: Sequence[bytes]) -> bool:
    for text in texts:
        bare = text.strip(_PADDING)
        if len(bare) < _SHORTEST or len(set(bare)) < 3:
            return False
        if bare[0] not in _ENDS:
            return False
        if sum(byte in _ENDS for byte in bare) < 0.7 * len(bare):
            return False
    return True


def _has_digits(texts: Sequence[bytes]) -> bool:
    return all(any(0x30 <= byte <= 0x39 for byte in text) for text in texts)


def _date_order(texts: Sequence[bytes]) -> str | None:
    """How the bytes are a day in all texts; None where they are none in some."""
    orders = {
        4: (("year first", (0, 2, 3)), ("day first", (2, 1, 0))),
        3: (("year first", (0, 1, 2)), ("day first", (2, 1, 0))),
    }
    for name, (year, month, day) in orders[len(texts[0])]:
        if all(_is_day(text, year, month, day) for text in texts):
            return name
    return None


def _is_day(text: bytes, year: int, month: int, day: int) -> bool:
    # BCD: the hex digits are the decimal ones.
    if not text.hex().isdecimal():
        return False
    number = text[year : year + 2].hex() if len(text) == 4 else _full_year(text[year])
    if not 1990 <= int(number) <= 2049:
        return False
    return 1 <= int(f"{text[month]:x}") <= 12 and 1 <= int(f"{text[day]:x}") <= 31


def _full_year(byte: int) -> str:
    year = int(f"{byte:x}")
    return str(2000 + year if year < 50 else 1900 + year)
