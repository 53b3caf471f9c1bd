"""Dates and times as certificates hold them: digits and a letter, yet no part of a VIN."""

from __future__ import annotations

import re
from collections.abc import Iterator

from memtool.core.image import Image
from memtool.core.runs import rows_of_bytes
from memtool.core.span import Span, union_spans

_FORWARDS = (
    rb"[0-9]{2}(?:0[1-9]|1[0-2])(?:0[1-9]|[12][0-9]|3[01])(?:[01][0-9]|2[0-3])(?:[0-5][0-9]){2}Z"
)
_BACKWARDS = (
    rb"Z(?:[0-9][0-5]){2}(?:[0-9][01]|[0-3]2)(?:[1-9]0|[0-9][12]|[01]3)(?:[1-9]0|[0-2]1)[0-9]{2}"
)
"""The same from behind: in an image that was read backwards."""


_DIGITS = bytes(value in b"0123456789" for value in range(256))
"""For ``bytes.translate``: 1 for digits."""
_MOST = 12
"""Digits of a date, beside the ``Z``."""


def find_dates(image: Image) -> tuple[Span, ...]:
    """Every ``YYMMDDhhmmssZ`` (UTCTime, or the end of a GeneralizedTime), read either way.

    Source: X.680, 46 and 47; X.690, 11.7 and 11.8 (seconds and ``Z`` are always there).
    """
    return union_spans(
        Span(segment.start + first, segment.start + first + _MOST + 1)
        for segment in image.segments
        if len(segment.data) > _MOST
        for first in _dates_in(segment.data)
    )


def _dates_in(data: bytes) -> Iterator[int]:
    """Where a date begins: each lies at the end of a run of digits, or at the start of one."""
    for first, end in rows_of_bytes(data, _DIGITS, _MOST).tolist():
        if _matches(_FORWARDS, data, end - _MOST):
            yield end - _MOST
        if first > 0 and _matches(_BACKWARDS, data, first - 1):
            yield first - 1


def _matches(pattern: bytes, data: bytes, at: int) -> bool:
    # Compiled when first used, by few images.
    return re.compile(pattern).match(data, at) is not None
