"""Stage `donor` without a layout: what two images tell of one family by themselves.

Texts that differ as a whole, serial numbers for one, are named by their place alone: without a
layout nobody knows which of them is secret. Shown are those that begin alike in both modules,
as part, hardware and software numbers of one family do.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from memtool.core.comparing.difference import compare_images
from memtool.core.comparing.moved import MovedBlock
from memtool.core.finding import Check
from memtool.core.image import Image
from memtool.core.job.stages.answers import not_checked, passed, undecided
from memtool.core.runs import find_changes
from memtool.core.span import (
    Span,
    count_addresses,
    format_address,
    format_span_with_length,
    intersect_spans,
    subtract_spans,
    union_spans,
)
from memtool.core.texts.known_identity import find_vins
from memtool.core.words import count_of, listed, listed_spans

_TEXT = re.compile(rb"[0-9A-Z][0-9A-Z ./_-]{4,30}[0-9A-Z]")
_LEAST_ALIKE = 4
"""Characters at its beginning that a number of the family has in both modules."""
_LONG_ENOUGH = 16
"""Bytes of an equal stretch that is named by itself."""
_MOST_NAMED = 4


def check_without_layout(original: Image | None, donor: Image) -> tuple[Check, ...]:
    """VIN places, texts, moved blocks and what is equal, in words with spans.

    Args:
        original: None where it cannot be read: then nothing is compared.
        donor: Of the same memory.
    """
    if original is None:
        return ()
    return (
        _vin_places(original, donor),
        _texts(original, donor),
        _moved(original, donor),
        _equal(original, donor),
    )


def _vin_places(original: Image, donor: Image) -> Check:
    code = "vin-places"
    places = [{(vin.span, vin.stored_as) for vin in find_vins(each)} for each in (original, donor)]
    both = sorted(places[0] & places[1], key=lambda place: place[0].start)
    alone = [sorted(one - set(both), key=lambda place: place[0].start) for one in places]
    if not places[0] or not places[1]:
        bare = [name for name, of in zip(("original", "donor"), places, strict=True) if not of]
        text = "The places of the VINs were not compared."
        return not_checked(code, text, f"no VIN was found in the {' and the '.join(bare)}")
    told = []
    if both:
        told.append(f"Both modules hold a VIN at {_listed_places(both)}.")
    for name, of in zip(("original", "donor"), alone, strict=True):
        if of:
            told.append(f"Only the {name} holds one at {_listed_places(of)}.")
    if any(alone):
        spans = [span for of in alone for span, _ in of]
        return undecided(code, " ".join(told), spans)
    return passed(code, " ".join(told))


def _listed_places(places: Sequence[tuple[Span, str]]) -> str:
    return listed(f"{format_span_with_length(span)} ({form})" for span, form in places)


def _texts(original: Image, donor: Image) -> Check:
    code = "texts"
    vins = union_spans(vin.span for image in (original, donor) for vin in find_vins(image))
    # A text that stands right beside a VIN ends where the VIN begins.
    pairs = list(_pairs_of_texts(original.without(vins), donor.without(vins)))
    if not pairs:
        text = "Part, hardware and software numbers were not compared."
        return not_checked(code, text, "no text with digits is at the same address in both modules")
    equal = [span for span, ours, theirs in pairs if ours == theirs]
    told, spans = [], []
    for span, ours, theirs in pairs:
        if ours == theirs:
            continue
        where = format_span_with_length(span)
        if _without_revision(ours) == _without_revision(theirs):
            told.append(f"{where}: original {theirs}, donor {ours} (another revision)")
        elif ours[:_LEAST_ALIKE] == theirs[:_LEAST_ALIKE]:
            told.append(f"{where}: original {theirs}, donor {ours}")
        else:
            told.append(f"{where}: completely different, as serial numbers are")
        spans.append(span)
    same = f"{count_of(len(equal), 'text')} with digits are equal" if equal else ""
    if len(equal) == 1:
        same = "One text with digits is equal"
    if not told:
        return passed(code, f"{same}: {listed_spans(equal, 4, lengths=True)}.")
    more = f"; {len(told) - _MOST_NAMED} more differ" if len(told) > _MOST_NAMED else ""
    named = "; ".join(told[:_MOST_NAMED])
    return undecided(code, f"Texts differ. {named}{more}.{f' {same}.' if same else ''}", spans)


def _pairs_of_texts(original: Image, donor: Image) -> Iterator[tuple[Span, str, str]]:
    """(span, donor's text, original's text) of every text with digits that both have there."""
    for segment in donor.segments:
        for found in _TEXT.finditer(segment.data):
            span = Span(segment.start + found.start(), segment.start + found.end())
            if not original.covers(span):
                continue
            other = original.read(span)
            if not _TEXT.fullmatch(other):
                continue
            ours, theirs = found[0].decode("ascii"), other.decode("ascii")
            if sum(map(str.isdigit, ours)) >= 3 and sum(map(str.isdigit, theirs)) >= 3:
                yield span, ours, theirs


def _without_revision(text: str) -> str:
    """The number without the letters at its end: common practice, no source."""
    return re.sub(r"[ ./_-]*[A-Z]{1,2}$", "", text)


def _moved(original: Image, donor: Image) -> Check:
    code = "moved-content"
    difference = compare_images(original, donor)
    moved = difference.moved
    if not moved:
        return passed(code, "No block of the original is at another address in the donor.")
    by_distance: dict[int, list[MovedBlock]] = {}
    for block in moved:
        by_distance.setdefault(block.b_start - block.a_start, []).append(block)
    told = [
        _distance_words(distance, blocks)
        for distance, blocks in sorted(
            by_distance.items(), key=lambda item: -sum(block.length for block in item[1])
        )
    ]
    spans = [Span(block.b_start, block.b_start + block.length) for block in moved]
    told = told[:_MOST_NAMED]
    if difference.moved_until is not None:
        told.append(f"From {format_address(difference.moved_until)} on no more was looked for.")
    return undecided(code, f"{' '.join(told)} One layout may not fit both.", spans)


def _distance_words(distance: int, blocks: Sequence[MovedBlock]) -> str:
    way = "higher" if distance > 0 else "lower"
    first = min(block.a_start for block in blocks)
    size = sum(block.length for block in blocks)
    return (
        f"From {format_address(first)} on, the donor's data is 0x{abs(distance):02X} {way}:"
        f" {count_of(size, 'byte')} of the original in {count_of(len(blocks), 'block')}."
    )


def _equal(original: Image, donor: Image) -> Check:
    code = "equal-content"
    both = intersect_spans(original.spans, donor.spans)
    equal = subtract_spans(both, find_changes(original, donor))
    if not equal:
        return undecided(code, "No byte is equal: these are hardly modules of one family.")
    share = f"{count_addresses(equal):,} of {count_addresses(both):,} bytes are equal"
    filled = [span for span in equal if len(span) >= _LONG_ENOUGH and _is_content(donor, span)]
    longest = sorted(sorted(filled, key=len, reverse=True)[:_MOST_NAMED])
    if not longest:
        return undecided(code, f"{share}, and no stretch of them holds more than filler.", equal)
    return passed(
        code, f"{share}, with content the longest at {listed_spans(longest, 4, lengths=True)}."
    )


def _is_content(image: Image, span: Span) -> bool:
    return len(set(image.read(span))) > 2
