"""Dates and times as certificates hold them: digits and a letter, yet no part of a VIN."""

from __future__ import annotations

import re

from memtool.core.image import Image
from memtool.core.span import Span, union_spans

_FORWARDS = re.compile(
    rb"[0-9]{2}(?:0[1-9]|1[0-2])(?:0[1-9]|[12][0-9]|3[01])(?:[01][0-9]|2[0-3])(?:[0-5][0-9]){2}Z"
)
_BACKWARDS = re.compile(
    rb"Z(?:[0-9][0-5]){2}(?:[0-9][01]|[0-3]2)(?:[1-9]0|[0-9][12]|[01]3)(?:[1-9]0|[0-2]1)[0-9]{2}"
)
"""The same from behind: in an image that was read backwards."""


def find_dates(image: Image) -> tuple[Span, ...]:
    """Every ``YYMMDDhhmmssZ`` (UTCTime, or the end of a GeneralizedTime), read either way.

    Source: X.680, 46 and 47; X.690, 11.7 and 11.8 (seconds and ``Z`` are always there).
    """
    return union_spans(
        Span(segment.start + match.start(), segment.start + match.end())
        for segment in image.segments
        for pattern in (_FORWARDS, _BACKWARDS)
        for match in pattern.finditer(segment.data)
    )
