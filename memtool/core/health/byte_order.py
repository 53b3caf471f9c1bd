"""Are the bytes in the chip's order, or is only another view of the read sound?

Each view is asked the same questions as the read itself, and is named only where it answers
clearly better. The best evidence counts:

1. a VIN that the person expects, or one that can hardly be anything else, stands in the view
   and none stands in the read;
2. with a layout: a VIN field, or a checksum of 16 bits or more, is right in the view, and
   none of them is right in the read;
3. text: the view reads as text and the read does not. Swapped words leave text readable, so
   there the ends of texts are asked: in a swapped word the padding stands on the wrong side
   of the last character.

Order alone loses nothing, so these are warnings. A module that keeps a text in another
stored form on purpose mostly has other texts in the plain order, and then nothing is said.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

from memtool.core.checksum import check_checksum
from memtool.core.fields import undo_stored_form
from memtool.core.finding import Finding, Severity, Verdict
from memtool.core.health.evidence import Evidence
from memtool.core.health.readable import (
    TextSigns,
    find_certain_vins,
    find_text_signs,
    padding_table,
    text_table,
)
from memtool.core.health.views import OtherView, list_views
from memtool.core.image import Image
from memtool.core.layout import Layout
from memtool.core.region import FieldType
from memtool.core.runs import array_of

if TYPE_CHECKING:
    from memtool.core.runs import Bytes, Mask

_LONGEST_LOOK = 1 << 20
"""Bytes from the start in which texts are looked for; order is wrong everywhere or nowhere."""
_CLEARLY = 4
"""A view must have more than so many times the text of the read."""
_LEAST_COMMON_PAIRS = 12
_COMMON_SHARE = 0.28
"""Of the letter pairs of a view that shows words."""
_LEAST_FIELDS = 3
_LEAST_DEVIATIONS = 4.5
"""Standard deviations by which words must be better in a view that keeps text readable."""
_LEAST_WRONG_ENDS = 3
"""Text ends that are wrong in the read, with hardly any right one."""
_STRONG_WIDTH = 2
"""Bytes of a checksum that does not match by chance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sound:
    """What of the read itself is sound."""

    vins: bool
    field: str | None
    """The first VIN field or strong checksum of the layout that is right."""
    text: TextSigns


def find_other_order(evidence: Evidence) -> tuple[Finding, ...]:
    """At most one finding: the view that answers best."""
    data = evidence.data[:_LONGEST_LOOK]
    plain = _Sound(
        vins=_has_vin(evidence, data),
        field=_sound_field(evidence.layout, evidence.image),
        text=find_text_signs(data),
    )
    best: tuple[int, str, OtherView] | None = None
    for view in list_views():
        rated = _rate(evidence, view, data, plain)
        if rated is not None and (best is None or rated[0] > best[0]):
            best = (*rated, view)
    if best is None:
        return _find_swapped_ends(evidence)
    _, why, view = best
    text = f"Only with {view.words} {why}. {view.advice}"
    return (evidence.finding(view.code, Severity.WARNING, text),)


def _rate(
    evidence: Evidence, view: OtherView, data: Bytes, plain: _Sound
) -> tuple[int, str] | None:
    """(weight, what is sound in the view alone), or None where the view is not better."""
    if plain.vins:
        return None
    if evidence.layout is not None and plain.field is None:
        name = _sound_field(evidence.layout, _seen_image(evidence.image, view))
        if name is not None:
            return 3 << 32, f"'{name}' of the layout is right"
    if _holds_too_little(evidence, view):
        return None
    seen = view.make(data)
    if seen is None:
        return None
    text = find_text_signs(seen)
    weight = text.common_pairs + text.field_length
    if _has_vin(evidence, seen, padded=True):
        return (2 << 32) + weight, "there is a VIN with a right check digit"
    better = _words_are_better if view.keeps_text else _is_text_at_last
    if not better(plain.text, text):
        return None
    return weight, f"do its texts read ({text.fields} fields, {text.common_pairs} common pairs)"


def _is_text_at_last(plain: TextSigns, seen: TextSigns) -> bool:
    """Whether the view is text where the read is none."""
    words = (
        seen.common_pairs >= _LEAST_COMMON_PAIRS
        and seen.common_share >= _COMMON_SHARE
        and seen.common_pairs > _CLEARLY * plain.common_pairs
    )
    fields = seen.fields >= _LEAST_FIELDS and seen.fields > _CLEARLY * plain.fields
    return words or fields


def _words_are_better(plain: TextSigns, seen: TextSigns) -> bool:
    """Whether readable text makes clearly more sense in the view than in the read."""
    if seen.common_share < _COMMON_SHARE or not plain.letter_pairs:
        return False
    both = plain.letter_pairs + seen.letter_pairs
    share = (plain.common_pairs + seen.common_pairs) / both
    spread = sqrt(share * (1 - share) * (1 / plain.letter_pairs + 1 / seen.letter_pairs))
    return seen.common_share - plain.common_share > _LEAST_DEVIATIONS * spread


def _holds_too_little(evidence: Evidence, view: OtherView) -> bool:
    """Whether the byte counts alone say that the view cannot hold a VIN."""
    if view.table is None:
        return False
    return int(evidence.counts[text_table()[view.table]].sum()) < 17


def _has_vin(evidence: Evidence, data: Bytes, *, padded: bool = False) -> bool:
    content = data.tobytes()
    expected = (text.encode("ascii", "replace") for text in evidence.vin_texts if text)
    return any(text in content for text in expected) or bool(
        find_certain_vins(content, padded=padded)
    )


def _seen_image(image: Image, view: OtherView) -> Image | None:
    """The image as the view shows it, segment by segment."""
    pieces = []
    for segment in image.segments:
        seen = view.make(array_of(segment.data))
        if seen is None:
            return None
        pieces.append((segment.start, seen.tobytes()))
    return Image.from_pieces(pieces)


def _sound_field(layout: Layout | None, image: Image | None) -> str | None:
    """The first VIN field, else the first strong checksum, that is right in `image`."""
    if layout is None or image is None:
        return None
    for region in layout.regions:
        if region.type is FieldType.VIN and image.covers(region.span):
            held = undo_stored_form(region, image.read(region.span))
            if held is not None and find_certain_vins(held):
                return region.name
    for rule in layout.checksums:
        strong = len(rule.stored) >= _STRONG_WIDTH
        if strong and check_checksum(image, rule).result is Verdict.PASS:
            return rule.name
    return None


def _find_swapped_ends(evidence: Evidence) -> tuple[Finding, ...]:
    """Words of 16 or 32 bits whose bytes are in the wrong order at the ends of texts."""
    for width in (2, 4):
        wrong, right = 0, 0
        for segment in evidence.image.segments:
            ends = _count_text_ends(array_of(segment.data), width)
            wrong, right = wrong + ends[0], right + ends[1]
        if wrong >= _LEAST_WRONG_ENDS and wrong > 4 * right:
            name = f"swapped-{8 * width}"
            text = (
                f"At {wrong} ends of texts the padding stands before the last character: the "
                f"bytes of each {8 * width}-bit word are swapped. Nothing is lost: benchimage "
                f"convert --view {name} gives the other order."
            )
            return (evidence.finding(f"order-{name}", Severity.WARNING, text),)
    return ()


def _count_text_ends(data: Bytes, width: int) -> tuple[int, int]:
    """(wrong, right) words that hold the end or the start of a text beside padding.

    Two words of text are asked for on one side, and one word of padding on the other.
    """
    import numpy as np

    data = data[: len(data) // width * width]
    if len(data) < 5 * width:
        return 0, 0
    table = text_table() & ~padding_table()
    words = data.reshape(-1, width)
    text = table[words]
    blank = padding_table()[words]
    whole: Mask = np.all(text, axis=1)
    empty: Mask = np.all(blank, axis=1)
    # The middle word is number 2 of five, so that all neighbours exist.
    ending = whole[:-4] & whole[1:-3] & empty[3:-1]
    starting = empty[1:-3] & whole[3:-1] & whole[4:]
    wrong = right = 0
    for count in range(1, width):
        head = text[2:-2, :count].all(axis=1) & blank[2:-2, count:].all(axis=1)
        tail = blank[2:-2, : width - count].all(axis=1) & text[2:-2, width - count :].all(axis=1)
        wrong += int((ending & tail).sum()) + int((starting & head).sum())
        right += int((ending & head).sum()) + int((starting & tail).sum())
    return wrong, right
