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

from math import sqrt
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.finding import Finding, Severity, Verdict
from memtool.core.health.evidence import Evidence
from memtool.core.health.readable import (
    TextSigns,
    find_certain_vins,
    text_table,
)
from memtool.core.health.text_ends import find_swapped_ends, have_right_ends
from memtool.core.health.text_looks import TextLooks, text_looks_of
from memtool.core.health.views import OtherView, list_views
from memtool.core.image import Image
from memtool.core.layouts.region import FieldType
from memtool.core.runs import array_of
from memtool.lazy import late_module

if TYPE_CHECKING:
    from memtool.core.checksums import checksum as checksums
    from memtool.core.layouts import fields as layout_fields
    from memtool.core.layouts.layout import Layout
else:
    checksums = late_module("memtool.core.checksums.checksum")
    layout_fields = late_module("memtool.core.layouts.fields")

SURE_WEIGHT = 2 << 32
"""Of a view in which a VIN stands; the text in it is added."""
_OF_LAYOUT = 3 << 32
"""Of a view in which the layout is right."""
_CLEARLY = 3
"""A view must have more than so many times the text of the read."""
_LEAST_COMMON_PAIRS = 12
_COMMON_SHARE = 0.28
"""Of the letter pairs of a view that shows words."""
_LEAST_WORD_PAIRS = 12
_WORDS_ALONE = 24
"""The same for crossed lines, where no text stands alone between padding."""
_MORE_WORDS, _TWICE = 1.5, 2
"""Words in a view with crossed lines as a multiple of those in the read itself, with and
without texts that stand alone. In real machine code and its tables the best of the 28 views
has 1.3 times as many at most, or none that stand alone."""
_MANY_FIELDS = 6
_LEAST_FIELDS = 3
_READABLE_SHARE = 0.15
"""Common pairs in a read that is taken for text in a wrong order, not for other content."""
_LEAST_DEVIATIONS = 3.3
"""Standard deviations by which the share of common pairs must be better than the read's."""
_STRONG_WIDTH = 2
"""Bytes of a checksum that does not match by chance."""


class _Sound(NamedTuple):
    """What of the read itself is sound."""

    vins: bool
    field: str | None
    """The first VIN field or strong checksum of the layout that is right."""
    text: TextSigns


class ReadOrder(NamedTuple):
    """Which orders a read is known to be in, since it would make no sense in another one."""

    bits: bool
    """No line is crossed or inverted, no bit is early or late."""
    bytes_in_words: bool
    start: bool
    """No byte is added or missing at the start."""


def find_read_order(evidence: Evidence) -> ReadOrder:
    """What another order would spoil in this read; asked where no other order was found."""
    plain = _find_sound(evidence, text_looks_of(evidence.image))
    known = plain.vins or plain.field is not None
    text = plain.text
    wordy = text.word_pairs >= _WORDS_ALONE or (
        text.fields > 0 and text.word_pairs >= _LEAST_WORD_PAIRS
    )
    words = text.common_pairs >= _WORDS_ALONE and text.common_share >= _COMMON_SHARE
    return ReadOrder(
        bits=known or wordy,
        bytes_in_words=known or words or have_right_ends(evidence),
        start=plain.field is not None,
    )


def _find_sound(evidence: Evidence, looks: TextLooks) -> _Sound:
    plain = looks.plain()
    return _Sound(
        vins=plain.has_vin or _holds_expected(evidence, looks),
        field=_sound_field(evidence.layout, evidence.image),
        text=plain.signs,
    )


def find_other_order(evidence: Evidence) -> tuple[Finding, ...]:
    """At most one finding: the view that answers best."""
    best = find_best_view(evidence)
    if best is None:
        return find_swapped_ends(evidence)
    _, why, view = best
    text = f"{why[:1].upper()}{why[1:]} only with {view.words}. {view.advice}"
    return (evidence.finding(view.code, Severity.WARNING, text),)


def find_best_view(evidence: Evidence) -> tuple[int, str, OtherView] | None:
    """(weight, what is sound in it alone, view) of the view that answers best; None where none.

    From `SURE_WEIGHT` on a VIN or the layout speaks for it, below that texts alone.
    """
    looks = text_looks_of(evidence.image)
    plain = _find_sound(evidence, looks)
    best: tuple[int, str, OtherView] | None = None
    for view in list_views():
        rated = _rate(evidence, view, looks, plain)
        if rated is not None and (best is None or rated[0] > best[0]):
            best = (*rated, view)
    return best


def _rate(
    evidence: Evidence, view: OtherView, looks: TextLooks, plain: _Sound
) -> tuple[int, str] | None:
    """(weight, what is sound in the view alone), or None where the view is not better."""
    # The read makes sense as it is. A moved start leaves its texts whole, and only the layout
    # tells.
    if plain.vins and not view.shows_same_text:
        return None
    if evidence.layout is not None and plain.field is None:
        name = _sound_field(evidence.layout, _seen_image(evidence.image, view))
        if name is not None:
            # Weights of the three kinds of evidence never meet: text counts stay below 1 << 32.
            return _OF_LAYOUT, f"'{name}' of the layout makes sense"
    # From here on texts are asked.
    if view.shows_same_text or _holds_too_little(evidence, view):
        return None
    if (
        view.table is not None
        and _has_words(plain.text)
        and looks.has_fewer_common_pairs(view.table, plain.text.common_pairs)
    ):
        # It reads worse, whatever else is in it.
        return None
    look = looks.through(view)
    if look is None:
        return None
    text = look.signs
    vin = look.has_vin or _holds_expected(evidence, looks, view)
    asked = _shows_text if vin else _is_clearly_text
    if view.crosses_lines and not asked(plain.text, text):
        return None
    if _reads_worse(plain.text, text):
        # Its own texts read; a VIN in another stored form is then there on purpose.
        return None
    weight = text.word_pairs + text.field_length
    if vin:
        return SURE_WEIGHT + weight, "a VIN can be read"
    if view.keeps_text:
        better = _words_are_better(plain.text, text)
    else:
        # Letter pairs alone are met in tables; words in a run of text are not.
        better = _is_text_at_last(plain.text, text) or (
            text.word_pairs >= _LEAST_WORD_PAIRS and _words_are_better(plain.text, text)
        )
    if not better:
        return None
    return (
        weight,
        f"texts can be read ({text.fields} fields, {text.word_pairs} common letter pairs)",
    )


def _shows_text(plain: TextSigns, seen: TextSigns) -> bool:
    """What a view with crossed lines must show beside a VIN."""
    enough = seen.fields > 0 or seen.word_pairs >= _WORDS_ALONE
    return enough and plain.length <= 2 * seen.length


def _is_clearly_text(plain: TextSigns, seen: TextSigns) -> bool:
    """More is asked of the 28 views with crossed lines.

    Tables may look like words in one of so many views, and a text whose capitals, digits and
    signs change places has as many small letters as before. Crossed lines spoil words all over
    the read, so the view must have clearly more of them; single groups of letters and digits
    that come to stand alone in machine code are no words.
    """
    if plain.length > 2 * seen.length or seen.word_pairs <= _MORE_WORDS * plain.word_pairs:
        return _has_many_fields(plain, seen)
    gained = seen.common_pairs / max(plain.common_pairs, 1)
    if not seen.fields:
        return seen.word_pairs >= _WORDS_ALONE and gained >= _TWICE
    many = seen.word_pairs >= _WORDS_ALONE and seen.word_pairs > _CLEARLY * plain.word_pairs
    new = not plain.fields or gained >= _MORE_WORDS
    return many or (seen.word_pairs >= _LEAST_WORD_PAIRS and new)


def _has_many_fields(plain: TextSigns, seen: TextSigns) -> bool:
    """Whether numbers and part numbers alone, without a word, speak for crossed lines."""
    wordless = plain.word_pairs == 0 and plain.length <= 2 * seen.length
    return wordless and not plain.fields and seen.fields >= _MANY_FIELDS


def _reads_worse(plain: TextSigns, seen: TextSigns) -> bool:
    """Whether the read shows words or fields that the view does not."""
    words = _has_words(plain) and plain.common_pairs > seen.common_pairs
    return words or (plain.fields >= _LEAST_FIELDS and plain.fields > 2 * seen.fields)


def _has_words(text: TextSigns) -> bool:
    """Whether so many of its letter pairs are common that it is words."""
    return text.common_pairs >= _LEAST_COMMON_PAIRS and text.common_share >= _COMMON_SHARE


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
    # Two shares and their pooled standard error, as for any two samples: is one larger than chance
    # allows?
    both = plain.letter_pairs + seen.letter_pairs
    share = (plain.common_pairs + seen.common_pairs) / both
    spread = sqrt(share * (1 - share) * (1 / plain.letter_pairs + 1 / seen.letter_pairs))
    return seen.common_share - plain.common_share > _LEAST_DEVIATIONS * spread


def _holds_too_little(evidence: Evidence, view: OtherView) -> bool:
    """Whether the byte counts alone say that the view cannot hold a VIN."""
    if view.table is None:
        return False
    # How many bytes of the read become characters in the view, without making the view.
    return int(evidence.counts[text_table()[view.table]].sum()) < 17


def _holds_expected(evidence: Evidence, looks: TextLooks, view: OtherView | None = None) -> bool:
    """Whether a VIN that the person expects stands in a view, or in the read as it is."""
    expected = [text.encode("ascii", "replace") for text in evidence.vin_texts if text]
    if not expected:
        return False
    content = looks.content(view)
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
            held = layout_fields.undo_stored_form(region, image.read(region.span))
            if held is not None and find_certain_vins(held):
                return region.name
    for rule in layout.checksums:
        strong = len(rule.stored) >= _STRONG_WIDTH
        if strong and checksums.check_checksum(image, rule).result is Verdict.PASS:
            return rule.name
    return None
