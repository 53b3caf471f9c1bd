"""One or several images as a page to look through: map, bytes, filters, search.

The page is one file without network: its script and its style are allowed by hash, the
bytes lie in it as data that no browser runs. Rows of bytes are made when they come into
view. Bytes of protected regions are not in the page at all; dots stand for them.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from memtool.core.image import Image
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import RegionKind
from memtool.core.span import Span, format_span, intersect_spans
from memtool.render.page.blocks import Cell, Figure
from memtool.render.page.html import Own, hash_source, make_environment, read_template

LARGEST = 16 * 1024 * 1024
"""Bytes of all images of one page together."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownImage:
    """One image on the page."""

    label: str
    """Short: ``A``, ``read 1``."""
    name: str
    """The file's, as the user named it."""
    words: str
    """Format and size."""
    sha256: str
    image: Image


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedRow:
    """A row of a list beside the bytes; with a place it can be jumped to."""

    span: Span | None
    cells: Sequence[Cell]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedList:
    """A list beside the bytes."""

    title: str
    head: Sequence[str]
    """Without the place's column."""
    rows: Sequence[PlacedRow]
    empty: str
    """What is said where there is no row."""
    more: str | None = None
    """What was left out."""
    is_folded: bool = False
    """Shown by its title alone until a person opens it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BytePage:
    """All that the page shows."""

    title: str
    answer: str
    """The result in one sentence."""
    images: Sequence[ShownImage]
    layout: Layout | None
    layout_words: str
    marks: str
    """What a marked byte is: ``differs``; empty where nothing is marked."""
    marked: Sequence[Span]
    """Marked bytes inside protected regions; the others the page finds by itself."""
    identity: Sequence[Span]
    """Where VINs are, besides the layout's regions."""
    maps: Sequence[Figure]
    """A click on one of them shows the bytes."""
    strips: Sequence[Figure]
    key: Sequence[tuple[str, str]]
    """(swatch, words), as in `Key`."""
    lists: Sequence[PlacedList]


def total_size(images: Sequence[Image]) -> int:
    """Bytes that a page of these images holds."""
    return sum(image.size for image in images)


def render_byte_page(page: BytePage) -> str:
    """The page; the same content gives the same text."""
    style = read_template("shared.css") + read_template("bytes.css")
    script = read_template("bytes.js")
    return (
        make_environment()
        .get_template("bytes.html.j2")
        .render(
            page=page,
            style=Own(style),
            style_hash=Own(hash_source(style)),
            script=Own(script),
            script_hash=Own(hash_source(script)),
            data=Own(encode_data(_data(page))),
            regions=page.layout.regions if page.layout else (),
            own=Own,
            format_span=format_span,
        )
    )


def encode_data(value: Any) -> str:
    """JSON that can stand inside a script element: nothing in it can end the element."""
    text = json.dumps(value, ensure_ascii=True, separators=(",", ":"))
    return text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")


def _data(page: BytePage) -> dict[str, Any]:
    layout = page.layout
    regions = layout.regions if layout else ()
    hidden = [region.span for region in regions if region.kind is RegionKind.PROTECTED]
    return {
        "images": [
            {"label": shown.label, "segments": _segments(shown.image, hidden)}
            for shown in page.images
        ],
        "regions": [
            [region.span.start, region.span.end, region.name, region.kind.value]
            for region in regions
        ],
        "hidden": _pairs(hidden),
        "marked": _pairs(page.marked),
        "identity": _pairs(page.identity),
        "marks": page.marks,
    }


def _segments(image: Image, hidden: Sequence[Span]) -> list[list[Any]]:
    """(start, base64) of each segment, zeros in the place of what is protected."""
    covered = intersect_spans(image.spans, hidden)
    clean = image.with_bytes((span.start, bytes(len(span))) for span in covered)
    return [
        [segment.start, base64.b64encode(segment.data).decode("ascii")]
        for segment in clean.segments
    ]


def _pairs(spans: Sequence[Span]) -> list[list[int]]:
    return [[span.start, span.end] for span in spans]
