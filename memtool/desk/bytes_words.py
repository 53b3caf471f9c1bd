"""What the bytes screen says of one address, and how it looks for what a person typed."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from memtool.core.checksums.checksum import ChecksumRule
from memtool.core.layouts.fields import decode_field
from memtool.core.layouts.region import Region, RegionKind
from memtool.core.span import Span, format_address, format_span_with_length, parse_number
from memtool.core.words import count_of, listed
from memtool.desk.bytes_lens import MAJORITY, Lens, Side, lies_in
from memtool.desk.bytes_lines import find_region
from memtool.render.text.desk_words import NO_CHECKSUM_NAMED
from memtool.render.values import (
    NOT_SHOWN,
    checksum_words,
    digest_words,
    field_words,
    name_words,
)
from memtool.render.words import safe_text

_HEX = re.compile(r"(?:0x)?((?:[0-9a-f]{2}\s*)+)", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Where something was found."""

    span: Span
    side: str
    """The label of the first side that holds it there."""
    again: bool
    """Whether the search began again at the first address."""


def find_next(lens: Lens, text: str, address: int) -> Found | None:
    """The next place behind `address` that holds `text`, in any side; then from the start on.

    Letters are found in either case; a text of hex digits is looked for as these bytes as
    well. Protected bytes are no part of a lens, so that they are not searched.
    """
    for start, again in ((address + 1, False), (0, True)):
        hits = [hit for side in lens.sides for hit in _hits(side, text, start)]
        if hits:
            span, label = min(hits, key=lambda hit: hit[0].start)
            return Found(span=span, side=label, again=again)
    return None


def _hits(side: Side, text: str, address: int) -> Iterator[tuple[Span, str]]:
    """The first hit in each segment, of text and of bytes."""
    letters = text.encode("utf-8", "replace").lower()
    digits = _HEX.fullmatch(text.strip())
    for segment in side.image.segments:
        first = max(address - segment.start, 0)
        for needle, data in (
            (letters, segment.data.lower()),
            (bytes.fromhex(digits[1]) if digits else b"", segment.data),
        ):
            place = data.find(needle, first) if needle else -1
            if place >= 0:
                start = segment.start + place
                yield Span(start, start + len(needle)), side.label


def find_address(lens: Lens, text: str, cursor: int) -> int | None:
    """The address that a person typed, or where the next region of such a name begins."""
    typed = text.strip()
    try:
        return parse_number(re.split(r"[-+]", typed, maxsplit=1)[0].strip())
    except ValueError:
        return find_region(lens, typed, cursor) if typed else None


def title_words(lens: Lens) -> Iterator[str]:
    """Each image with its label, size and format."""
    if len(lens.sides) > 2:
        yield safe_text(", ".join(f"{side.label} {side.name}" for side in lens.sides))
        yield from (safe_text(each.words) for each in lens.sides if each.label == MAJORITY)
        return
    for side in lens.sides:
        label = "" if len(lens.sides) == 1 else f"{side.label}  "
        yield safe_text(f"{label}{side.name}: {side.words}")


def address_words(lens: Lens, address: int) -> Iterator[str]:
    """All that is known of the byte at an address, line by line, the byte itself first."""
    yield f"{format_address(address)} ({address:,})  {_values(lens, address)}"
    difference = lens.difference_at(address)
    if difference is not None:
        number, span = difference
        where = format_span_with_length(span)
        yield f"differs: {where}, run {number:,} of {len(lens.differing):,}"
    region = lens.region_at(address)
    if region is not None:
        yield from _region_words(lens, region)
    elif (vin := lens.vin_at(address)) is not None:
        digit = name_words(vin.check_digit)
        yield safe_text(
            f"VIN {vin.text}, stored as {vin.stored_as}, check digit {digit}:"
            f" {format_span_with_length(vin.span)}"
        )
    else:
        yield "no region"
    covering = [safe_text(f"'{rule.name}'") for rule in _rules_over(lens, address)]
    if covering and not lens.is_hidden(address):
        yield f"covered by {listed(covering)}"


def _values(lens: Lens, address: int) -> str:
    """The byte as number and bits; where sides differ, each value with who holds it."""
    if lens.is_hidden(address):
        return NOT_SHOWN
    groups = _group(lens, [_value_words(lens, side, address) for side in lens.sides])
    if len(groups) == 1:
        return groups[0][1]
    return "   ".join(f"{labels}: {words}" for labels, words in groups)


def _value_words(lens: Lens, side: Side, address: int) -> str:
    if side.label == MAJORITY and lies_in(lens.undecided, address):
        return "no majority"
    value = _byte_of(side, address)
    if value is None:
        return "not in the image"
    letter = f" '{chr(value)}'" if 0x20 <= value < 0x7F else ""
    return f"{value:02X} = {value}, bits {value:08b}{letter}"


def _group(lens: Lens, values: Sequence[str]) -> list[tuple[str, str]]:
    """(labels of the sides, words) of each different value, in the order of the sides."""
    groups: dict[str, str] = {}
    for side, value in zip(lens.sides, values, strict=True):
        groups[value] = groups[value] + f" {side.label}" if value in groups else side.label
    return [(labels, value) for value, labels in groups.items()]


def _byte_of(side: Side, address: int) -> int | None:
    place = Span(address, address + 1)
    return side.image.read(place)[0] if side.image.covers(place) else None


def _region_words(lens: Lens, region: Region) -> Iterator[str]:
    where = format_span_with_length(region.span)
    yield safe_text(f"{name_words(region.kind)}: {region.name}, {where}")
    if region.kind is RegionKind.PROTECTED:
        return
    groups = _group(lens, [_content(lens, side, region) for side in lens.sides])
    for labels, value in groups:
        if value:
            yield f"  holds {value}" if len(groups) == 1 else f"  {labels}  {value}"


def _content(lens: Lens, side: Side, region: Region) -> str:
    """What one side holds in a region, as a checksum or as a field; empty where it is neither."""
    assert lens.layout is not None
    checksum = next((each for each in side.checksums if each.name == region.name), None)
    if checksum is not None:
        return checksum_words(checksum)
    raw = side.image.read(region.span) if side.image.covers(region.span) else None
    field = decode_field(region, raw, erased=lens.layout.erased)
    return "" if field is None else field_words(field)


def _rules_over(lens: Lens, address: int) -> Iterator[ChecksumRule]:
    for rule in () if lens.layout is None else lens.layout.checksums:
        if any(address in span for span in rule.covers):
            yield rule


def checksum_lines(lens: Lens) -> Iterator[str]:
    """The digest of every image, and every checksum that the layout names."""
    for side in lens.sides:
        if side.label != MAJORITY:
            yield safe_text(f"{side.name}: {side.words}; SHA-256")
            yield f"  {digest_words(side.sha256)}"
    yield ""
    rules = () if lens.layout is None else lens.layout.checksums
    if not rules:
        yield NO_CHECKSUM_NAMED
        return
    yield f"{count_of(len(rules), 'checksum')} of the layout"
    for number, rule in enumerate(rules):
        yield safe_text(f"  {rule.name}: {rule.algorithm}, {format_span_with_length(rule.stored)}")
        for side in lens.sides:
            label = "" if len(lens.sides) == 1 else f"{side.label}  "
            yield f"    {label}{checksum_words(side.checksums[number])}"
