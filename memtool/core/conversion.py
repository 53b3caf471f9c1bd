"""Changes an image on its way into another file: mending a view, choosing and filling spans.

Rules, in the order in which they are applied:

1. A view is undone in each whole segment (`memtool.core.reader_order`). Only forms that keep
   every byte and every length are views of a memory; words are counted from address 0, so a
   segment that begins or ends inside a word is refused.
2. Of the mended image the given spans are taken, all of it where none is given.
3. Undefined addresses in these spans get the fill byte; without a span, those between the
   first and the last defined address.

What may come out is another question: `memtool.core.job.conversion_rules`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from memtool.core.image import Image
from memtool.core.span import (
    Span,
    count_addresses,
    subtract_spans,
    union_spans,
)
from memtool.errors import RefusalError

MAX_FILLED_SIZE = 64 * 1024 * 1024
"""Bytes of an image after filling; as much as is read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """The part of an image that goes into a file."""

    image: Image
    """At least one byte."""
    filled: tuple[Span, ...]
    """Addresses that no file defined and that hold the fill byte."""
    missing: tuple[Span, ...]
    """Addresses that were asked for, are not defined and were not filled."""


def select_spans(image: Image, spans: Sequence[Span], *, fill: int | None) -> Selection:
    """The part of `image` in `spans`, gaps filled where a fill byte is given.

    Args:
        image: At least one byte.
        spans: All of the image where empty.
        fill: 0 to 255; None leaves gaps undefined.

    Raises:
        RefusalError: nothing is defined there (``nothing-selected``), or the fill would be
            larger than `MAX_FILLED_SIZE` (``fill-too-large``).
    """
    extent = image.extent
    wanted = union_spans(spans) if spans else (() if extent is None else (extent,))
    part = image.select(wanted)
    holes = subtract_spans(wanted, image.spans)
    if not part.segments:
        raise RefusalError(
            "no byte is defined in the given span",
            code="nothing-selected",
            next_step="'benchimage inspect' shows which addresses the file defines",
        )
    if fill is None:
        return Selection(image=part, filled=(), missing=holes if spans else ())
    size = part.size + count_addresses(holes)
    if size > MAX_FILLED_SIZE:
        raise RefusalError(
            f"with its gaps filled the image would have {size:,} bytes; at most"
            f" {MAX_FILLED_SIZE >> 20} MiB are written",
            code="fill-too-large",
            next_step="choose one part with --span",
        )
    for hole in holes:
        part = part.filled(hole, fill)
    return Selection(image=part, filled=holes, missing=())
