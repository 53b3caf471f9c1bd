"""What the values of a layout file mean: chips, spans, kinds, types, blank values.

A table is read into a draft in which whatever was wrong is None; each fault is noted once
and the rest of the table is still judged. `memtool.formats.layout_toml.rules` then
judges the
tables together.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, TypeVar

from memtool.core.chip import CHIP_ADVICE, parse_chip
from memtool.core.layouts.layout import ModuleKind
from memtool.core.layouts.region import (
    BLANKABLE,
    INTEGER_LENGTHS,
    LONGEST_BLANK_PATTERN,
    BitField,
    BlankSource,
    FieldType,
    Region,
    RegionKind,
)
from memtool.core.span import Span, format_span, format_span_with_length, parse_span
from memtool.core.texts.stored_forms import parse_stored_form
from memtool.core.texts.vin import VIN_LENGTH
from memtool.formats.layout_toml.faults import FaultBook
from memtool.formats.layout_toml.lines import KeyPath

Word = TypeVar("Word", bound=StrEnum)
Table = Mapping[str, Any]
"""Keys and values of the right shape; wrong and missing ones are left out."""

LARGEST_ADDRESS = (1 << 32) - 1

_HEX_PATTERN = re.compile(r"[0-9a-fA-F]{2}(?: ?[0-9a-fA-F]{2})*")
_BITS = re.compile(r"([0-9]{1,4})(?:-([0-9]{1,4}))?", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """``[layout]`` as far as it is sound."""

    values: Table
    span: Span | None
    """None where base or size is wrong."""
    module: ModuleKind | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RegionDraft:
    """One ``[[region]]`` as far as it is sound."""

    path: KeyPath
    label: str
    """Its name in quotes, or its number."""
    name: str | None
    span: Span | None
    kind: RegionKind | None
    type: FieldType | None
    stored_as: str
    plain_length: int | None
    """Bytes when the stored form is undone; None where span or form is wrong."""
    copy_of: str | None
    blank_to: BlankSource | bytes | None
    bits: tuple[BitField, ...]

    def to_region(self) -> Region:
        """The region; only of a draft without faults."""
        assert self.name is not None
        assert self.span is not None
        assert self.kind is not None
        return Region(
            name=self.name,
            span=self.span,
            kind=self.kind,
            type=self.type,
            stored_as=self.stored_as,
            copy_of=self.copy_of,
            blank_to=self.blank_to,
            bits=self.bits,
        )


def label_of(path: KeyPath, name: object) -> str:
    """``region 'VIN, first'``, or by number from 1 where it has no name."""
    word, number = path[-2:]
    assert isinstance(number, int)
    return f"{word} '{name}'" if isinstance(name, str) else f"{word} number {number + 1}"


def judge_header(values: Table, faults: FaultBook) -> Header:
    """Judge ``[layout]``."""
    path: KeyPath = ("layout",)
    base, size = values.get("base", 0), values.get("size")
    if "base" in faults.keys_under(path):
        base = None
    span = None if base is None or size is None else Span(base, base + size)
    if "name" in values and not values["name"].strip():
        faults.add((*path, "name"), "layout-value", "'name' is blank")
    if "chip" in values:
        _judge_chip(values["chip"], size, faults)
    return Header(
        values=values, span=span, module=word_of(ModuleKind, "module", values, path, faults)
    )


def _judge_chip(name: str, size: int | None, faults: FaultBook) -> None:
    path: KeyPath = ("layout", "chip")
    try:
        chip = parse_chip(name)
    except ValueError as error:
        faults.add(path, "layout-chip-unknown", f"{error}; {CHIP_ADVICE}")
        return
    if size is not None and size > chip.size:
        text = f"'size' is {size}, but a {chip.title} holds {chip.size} bytes"
        faults.add(("layout", "size"), "layout-size", text)


def judge_region(
    values: Table, path: KeyPath, space: Span | None, faults: FaultBook
) -> RegionDraft:
    """Judge one ``[[region]]`` by itself; `space` is the span of the layout."""
    label = label_of(path, values.get("name"))
    span = span_of(values.get("span"), (*path, "span"), label, space, faults)
    kind = word_of(RegionKind, "kind", values, path, faults)
    draft = RegionDraft(
        path=path,
        label=label,
        name=values.get("name"),
        span=span,
        kind=kind,
        type=word_of(FieldType, "type", values, path, faults),
        stored_as=values.get("stored_as", "plain"),
        plain_length=_plain_length(values.get("stored_as", "plain"), span, path, label, faults),
        copy_of=values.get("copy_of"),
        blank_to=_blank_to(values, span, kind, path, label, faults),
        bits=_bits(values.get("bits"), path, label, faults),
    )
    _judge_length(draft, faults)
    _judge_bits(draft, "bits" in values or "bits" in faults.keys_under(path), faults)
    return draft


def word_of(
    words: type[Word], key: str, values: Table, path: KeyPath, faults: FaultBook
) -> Word | None:
    """The value of `key` as one of a fixed set of words; None where it is missing or wrong."""
    text = values.get(key)
    if text is None:
        return None
    try:
        return words(text)
    except ValueError:
        known = [word.value for word in words]
        meant = faults.suggest(text, known) or f": write one of {', '.join(known)}"
        faults.add(
            (*path, key),
            f"layout-{key.replace('_', '-')}-unknown",
            f"{key} '{text}' is unknown{meant}",
        )
        return None


def span_of(
    text: str | None, path: KeyPath, label: str, space: Span | None, faults: FaultBook
) -> Span | None:
    """The span that `text` writes, a fault where it is none or outside `space`."""
    if text is None:
        return None
    try:
        span = parse_span(text)
    except ValueError as error:
        faults.add(path, "layout-span", f"{label}: {error}")
        return None
    if span.end > LARGEST_ADDRESS + 1:
        faults.add(path, "layout-span-outside", f"{label}: '{text}' goes beyond 32 bits")
        return None
    if space is not None and not space.contains(span):
        text = f"{label}: {format_span(span)} is outside the layout's {format_span(space)}"
        faults.add(path, "layout-span-outside", text)
    return span


def _plain_length(
    form: str, span: Span | None, path: KeyPath, label: str, faults: FaultBook
) -> int | None:
    """How long the bytes of `span` are when the stored form is undone."""
    if "stored_as" in faults.keys_under(path):
        return None
    try:
        stored_form = parse_stored_form(form)
    except ValueError as error:
        faults.add((*path, "stored_as"), "layout-stored-form", f"{label}: {sentence_of(error)}")
        return None
    if span is None:
        return None
    if form == "plain":
        return len(span)
    if len(span) > _LONGEST_FIELD:
        text = f"{label}: stored as {form}, a field has {_LONGEST_FIELD} bytes at most"
        faults.add((*path, "span"), "layout-length", text)
        return None
    try:
        return len(stored_form.undo(bytes(len(span))))
    except ValueError as error:
        faults.add((*path, "stored_as"), "layout-stored-form", f"{label}: {sentence_of(error)}")
        return None


_LONGEST_FIELD = 512
"""Bytes of a region that has a stored form. A text needs far fewer."""


def sentence_of(error: ValueError) -> str:
    """What it says, without full stop."""
    return str(error).rstrip(".")


def _blank_to(
    values: Table,
    span: Span | None,
    kind: RegionKind | None,
    path: KeyPath,
    label: str,
    faults: FaultBook,
) -> BlankSource | bytes | None:
    value = values.get("blank_to")
    if value is None:
        return None
    place = (*path, "blank_to")
    if kind is not None and kind not in BLANKABLE:
        text = f"{label}: a region of kind {kind} is never blanked, so it has no 'blank_to'"
        faults.add(place, "layout-blank-forbidden", text)
        return None
    if isinstance(value, str) and value in tuple(BlankSource):
        return BlankSource(value)
    pattern = _pattern(value)
    if pattern is None:
        text = (
            f'{label}: \'blank_to\' must be "erased", "reference", a byte value from 0x00 to'
            ' 0xFF, or a hex pattern of two bytes like "00 FF"'
        )
        faults.add(place, "layout-blank-value", text)
    elif len(pattern) > LONGEST_BLANK_PATTERN:
        text = (
            f"{label}: a blank pattern has {LONGEST_BLANK_PATTERN} bytes at most, this one has"
            f' {len(pattern)}: write "reference" to take the bytes from the image of a'
            ' never-configured module, or "erased"'
        )
        faults.add(place, "layout-blank-pattern", text)
        return None
    elif span is not None and len(span) % len(pattern):
        text = (
            f"{label}: the blank pattern of {len(pattern)} bytes does not fill"
            f" {format_span_with_length(span)} exactly"
        )
        faults.add(place, "layout-blank-length", text)
        return None
    return pattern


def _pattern(value: str | int) -> bytes | None:
    if isinstance(value, int):
        return bytes([value]) if 0 <= value <= 0xFF else None
    return bytes.fromhex(value) if _HEX_PATTERN.fullmatch(value) else None


def _bits(
    table: Mapping[str, str] | None, path: KeyPath, label: str, faults: FaultBook
) -> tuple[BitField, ...]:
    """The named bits, the most significant first."""
    found: list[BitField] = []
    for name, text in (table or {}).items():
        match = _BITS.fullmatch(text)
        high = int(match[1]) if match else -1
        low = int(match[2]) if match and match[2] else high
        if match is None or low > high:
            words = f"{label}: '{text}' names no bits: write 7 for one bit, 3-0 for four"
            faults.add((*path, "bits", name), "layout-bits", words)
            continue
        found.append(BitField(name=name, high=high, low=low))
    return tuple(sorted(found, key=lambda run: (-run.high, run.low)))


def _judge_bits(draft: RegionDraft, has_table: bool, faults: FaultBook) -> None:
    path = (*draft.path, "bits")
    if has_table is not (draft.type is FieldType.BITS):
        if has_table and draft.type is None and "type" in faults.keys_under(draft.path):
            return
        text = f'{draft.label}: type "bits" and a table [region.bits] belong together'
        faults.add(path if has_table else (*draft.path, "type"), "layout-bits", text)
        return
    if draft.plain_length is None:
        return
    width = 8 * draft.plain_length
    taken: dict[int, str] = {}
    for run in draft.bits:
        if run.high >= width:
            text = (
                f"{draft.label}: '{run.name}' has bit {run.high}, but the bits are 0 to {width - 1}"
            )
            faults.add((*path, run.name), "layout-bits", text)
            continue
        other = next((taken[bit] for bit in range(run.low, run.high + 1) if bit in taken), None)
        if other is not None:
            text = f"{draft.label}: '{run.name}' shares a bit with '{other}'"
            faults.add((*path, run.name), "layout-bits", text)
        taken.update(dict.fromkeys(range(run.low, run.high + 1), run.name))


def _spare(stored_as: str) -> int:
    """How many characters more than a text its field may hold, plus one: whole words do."""
    return int(stored_as[8:10]) // 8 if stored_as.startswith("swapped") else 1


def _judge_length(draft: RegionDraft, faults: FaultBook) -> None:
    """VINs and integers have one length, after the stored form is undone."""
    if draft.type is None or draft.plain_length is None or draft.span is None:
        return
    wanted = VIN_LENGTH if draft.type is FieldType.VIN else INTEGER_LENGTHS.get(draft.type)
    if wanted in (None, draft.plain_length):
        return
    if draft.type is FieldType.VIN and 0 < draft.plain_length - VIN_LENGTH < _spare(
        draft.stored_as
    ):
        return
    stored = "" if draft.stored_as == "plain" else f" stored as {draft.stored_as}"
    text = (
        f"{draft.label}: type {draft.type} takes {wanted} byte{'' if wanted == 1 else 's'}, but"
        f" {format_span_with_length(draft.span)}{stored} gives {draft.plain_length}"
    )
    faults.add((*draft.path, "span"), "layout-length", text)
