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

from memtool.core.checksums.checksum import check_checksum
from memtool.core.finding import Finding, Severity, Verdict
from memtool.core.health.evidence import BLANKS, Evidence
from memtool.core.health.readable import (
    TextSigns,
    find_certain_vins,
    find_padded_vins,
    find_text_runs,
    find_text_signs,
    padding_table,
    text_table,
)
from memtool.core.health.views import OtherView, list_views
from memtool.core.image import Image
from memtool.core.layouts.fields import undo_stored_form
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import FieldType
from memtool.core.reads.runs import array_of

if TYPE_CHECKING:
    from memtool.core.reads.runs import Bytes, Mask

_LONGEST_LOOK = 1 << 20
"""Bytes from the start in which texts are looked for; order is wrong everywhere or nowhere."""
_CLEARLY = 3
"""A view must have more than so many times the text of the read."""
_LEAST_COMMON_PAIRS = 12
_COMMON_SHARE = 0.28
"""Of the letter pairs of a view that shows words."""
_LEAST_WORD_PAIRS = 12
_WORDS_ALONE = 24
"""The same for crossed lines, where no text stands alone between padding."""
_LEAST_FIELDS = 3
_READABLE_SHARE = 0.15
"""Common pairs in a read that is taken for text in a wrong order, not for other content."""
_LEAST_DEVIATIONS = 3.3
"""Standard deviations by which the share of common pairs must be better than the read's."""
_LEAST_WRONG_ENDS = 2
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
    content = data.tobytes()
    runs = find_text_runs(content)
    plain = _Sound(
        vins=_holds_expected(evidence, content) or bool(find_padded_vins(content, runs)),
        field=_sound_field(evidence.layout, evidence.image),
        text=find_text_signs(content, runs),
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
    if plain.vins and not view.shows_same_text:
        return None
    if evidence.layout is not None and plain.field is None:
        name = _sound_field(evidence.layout, _seen_image(evidence.image, view))
        if name is not None:
            return 3 << 32, f"is '{name}' of the layout right"
    if view.shows_same_text or _holds_too_little(evidence, view):
        return None
    seen = view.make(data)
    if seen is None:
        return None
    content = seen.tobytes()
    runs = find_text_runs(content)
    text = find_text_signs(content, runs)
    if view.crosses_lines and not _is_clearly_text(plain.text, text):
        return None
    if _reads_worse(plain.text, text):
        # Its own texts read; a VIN in another stored form is then there on purpose.
        return None
    weight = text.word_pairs + text.field_length
    if _holds_expected(evidence, content) or find_padded_vins(content, runs):
        return (2 << 32) + weight, "does a VIN stand in it"
    if not _words_are_better(plain.text, text) and (
        view.keeps_text or not _is_text_at_last(plain.text, text)
    ):
        return None
    return (
        weight,
        f"do its texts read ({text.fields} fields, {text.word_pairs} common letter pairs)",
    )


def _is_clearly_text(plain: TextSigns, seen: TextSigns) -> bool:
    """More is asked of the 28 views with crossed lines: tables may look like words in one.

    A table that passes for words in such a view mostly passes for more in the read itself.
    """
    enough = seen.fields > 0 or seen.word_pairs >= _WORDS_ALONE
    return enough and plain.length <= 2 * seen.length


def _reads_worse(plain: TextSigns, seen: TextSigns) -> bool:
    """Whether the read shows words or fields that the view does not."""
    words = (
        plain.common_pairs >= _LEAST_COMMON_PAIRS
        and plain.common_share >= _COMMON_SHARE
        and plain.common_pairs > seen.common_pairs
    )
    return words or (plain.fields >= _LEAST_FIELDS and plain.fields > 2 * seen.fields)


def _is_text_at_last(plain: TextSigns, seen: TextSigns) -> bool:
    """Whether the view is text where the read is none."""
    words = seen.word_pairs >= _LEAST_WORD_PAIRS and seen.word_pairs > _CLEARLY * plain.word_pairs
    fields = seen.fields >= _LEAST_FIELDS and seen.fields > _CLEARLY * plain.fields
    return words or fields


def _words_are_better(plain: TextSigns, seen: TextSigns) -> bool:
    """Whether readable text makes clearly more sense in the view than in the read."""
    if seen.common_share < _COMMON_SHARE or plain.common_share < _READABLE_SHARE:
        return False
    if not _LEAST_COMMON_PAIRS <= plain.common_pairs < seen.common_pairs:
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


def _holds_expected(evidence: Evidence, content: bytes) -> bool:
    expected = (text.encode("ascii", "replace") for text in evidence.vin_texts if text)
    return any(text in content for text in expected)


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
    """(wrong, right) words that hold the end of a text beside padding of 00 or FF.

    Two words of text are asked for before, and a word of the same padding behind. Starts of
    texts are not asked: numbers before a text look like them.
    """
    data = data[: len(data) // width * width]
    if len(data) < 4 * width:
        return 0, 0
    text = (text_table() & ~padding_table())[data]
    whole = _in_words(text, width, 0, width)
    wrong = right = 0
    for value in BLANKS:
        blank = data == value
        ending = whole[:-3] & whole[1:-2] & _in_words(blank, width, 0, width)[3:]
        if not ending.any():
            continue
        for count in range(1, width):
            tail = _in_words(blank, width, 0, width - count) & _in_words(
                text, width, width - count, width
            )
            head = _in_words(text, width, 0, count) & _in_words(blank, width, count, width)
            wrong += int((ending & tail[2:-1]).sum())
            right += int((ending & head[2:-1]).sum())
    return wrong, right


def _in_words(mask: Mask, width: int, first: int, end: int) -> Mask:
    """For each word whether its bytes from `first` to before `end` are all true."""
    found = mask[first::width]
    for place in range(first + 1, end):
        found = found & mask[place::width]
    return found
