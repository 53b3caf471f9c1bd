"""What the values of a ``[[records]]`` mean: how a store of records is walked.

Everything that is wrong is noted once; a table with a fault gives None, and the tables around
it are still judged.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from memtool.core.layouts.record_rules import (
    Condition,
    Counts,
    LengthRule,
    MarkRule,
    NewestBy,
    NewestRule,
    Place,
    RecordChecksum,
    RecordRegion,
    RecordRules,
    ValueRule,
)
from memtool.core.layouts.region import FieldType
from memtool.core.span import Span, format_span
from memtool.formats.layout_toml.faults import FaultBook
from memtool.formats.layout_toml.lines import KeyPath
from memtool.formats.layout_toml.record_checksums import judge_record_checksum
from memtool.formats.layout_toml.record_pages import judge_page
from memtool.formats.layout_toml.record_places import (
    condition_of,
    inner_tables,
    numbers_of,
    place_of,
)
from memtool.formats.layout_toml.record_regions import judge_record_region
from memtool.formats.layout_toml.tables import Table, label_of, span_of, word_of
from memtool.lazy import late_module

if TYPE_CHECKING:
    from memtool.formats.layout_toml import shape
else:
    shape = late_module("memtool.formats.layout_toml.shape")  # loads pydantic

LARGEST_STORE = 16 << 20
"""Bytes of a store."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordsDraft:
    """One ``[[records]]`` as far as it is sound."""

    path: KeyPath
    label: str
    name: str | None
    span: Span | None
    names: tuple[tuple[KeyPath, str], ...]
    """Of its regions, with their places in the file."""
    rules: RecordRules | None
    """None where some part of it is wrong."""


def judge_records(
    values: Table, path: KeyPath, space: Span | None, faults: FaultBook
) -> RecordsDraft:
    """Judge one ``[[records]]`` by itself; `space` is the span of the layout."""
    label = label_of(path, values.get("name"))
    before = len(faults)
    span = span_of(values.get("span"), (*path, "span"), label, space, faults)
    record = values.get("record")
    length = _length(values.get("length"), (*path, "length"), label, record, faults)
    if record is None and values.get("length") is None and not faults.keys_under(path):
        text = f"{label}: the key 'record' is missing; without 'length' all are of one size"
        faults.add(path, "layout-key-missing", text)
    key = _key(values.get("key"), (*path, "key"), label, faults)
    newest = _newest(values.get("newest"), (*path, "newest"), label, faults)
    mark = _mark(values.get("mark"), (*path, "mark"), label, faults)
    value = _value(values.get("value"), (*path, "value"), label, faults)
    checksums = [
        judge_record_checksum(table, place, label, faults)
        for place, table in inner_tables(values.get("checksum"), (*path, "checksum"), label, faults)
    ]
    page = judge_page(values.get("page"), (*path, "page"), label, record, span, faults)
    rules = None
    if len(faults) == before and span is not None and newest is not None:
        sound = tuple(each for each in checksums if each is not None)
        rules = RecordRules(
            name=values.get("name", label),
            span=span,
            record=record,
            length=_whole_length(length, sound),
            key=key,
            newest=newest,
            mark=mark,
            value=value,
            checksums=sound,
            page=page,
        )
        _judge_record(rules, path, label, faults)
    regions = _regions(values.get("region", []), path, rules, faults)
    if len(faults) > before:
        rules = None
    elif rules is not None:
        rules = rules._replace(regions=tuple(region for _, region in regions if region))
    return RecordsDraft(
        path=path,
        label=label,
        name=values.get("name"),
        span=span,
        names=tuple((place, region.region.name) for place, region in regions if region),
        rules=rules,
    )


def _regions(
    tables: Sequence[Mapping[str, Any]],
    path: KeyPath,
    rules: RecordRules | None,
    faults: FaultBook,
) -> list[tuple[KeyPath, RecordRegion | None]]:
    found: list[tuple[KeyPath, RecordRegion | None]] = []
    for number, table in enumerate(tables):
        place: KeyPath = (*path, "region", number)
        values = shape.sound_values(shape.RecordRegionTable, table, place, faults)
        region = judge_record_region(values, place, rules, faults)
        for other_place, other in found:
            if region and other and _share_bytes(region, other):
                text = (
                    f"region '{region.region.name}' at {format_span(region.region.span)} overlaps"
                    f" region '{other.region.name}' of the same key"
                    f" (line {faults.line_of(other_place)})"
                )
                faults.add((*place, "span"), "layout-overlap", text)
        found.append((place, region))
    return found


def _share_bytes(one: RecordRegion, other: RecordRegion) -> bool:
    """Whether some record has a byte in both."""
    if len(one.keys) == len(other.keys) == 1:
        length = min(len(one.keys[0]), len(other.keys[0]))
        same = one.keys[0][:length] == other.keys[0][:length]
        return same and one.region.span.overlaps(other.region.span)
    return bool(set(one.keys) & set(other.keys))


def _length(
    table: Mapping[str, Any] | None,
    path: KeyPath,
    label: str,
    record: int | None,
    faults: FaultBook,
) -> LengthRule | None:
    if table is None:
        return None
    values = shape.sound_values(shape.LengthTable, table, path, faults)
    place = place_of(values, path, label, faults)
    counts = word_of(Counts, "counts", values, path, faults)
    if place is None or counts is None:
        return None
    if (counts is Counts.ENTRIES) is (record is None):
        text = (
            f"{label}: a length in entries needs 'record', the bytes of an entry"
            if record is None
            else f"{label}: with 'record' a length counts \"entries\"; leave 'record' out"
        )
        faults.add(path, "layout-records", text)
        return None
    if values.get("plus") is not None and counts is not Counts.PAYLOAD:
        faults.add(path, "layout-records", f"{label}: 'plus' belongs to counts = \"payload\"")
    plus = values.get("plus", place.span.end)
    return LengthRule(place=place, counts=counts, plus=plus, align=values.get("align", 1))


def _whole_length(
    length: LengthRule | None, checksums: Sequence[RecordChecksum]
) -> LengthRule | None:
    """A checksum behind the payload belongs to the record, where 'plus' does not say."""
    if (
        length is None
        or length.counts is not Counts.PAYLOAD
        or length.plus != length.place.span.end
    ):
        return length
    behind = sum(each.size for each in checksums if each.at < 0)
    return length._replace(plus=length.plus + behind)


def _key(value: object, path: KeyPath, label: str, faults: FaultBook) -> tuple[Place, ...]:
    places = []
    for place, table in inner_tables(value, path, label, faults):
        values = shape.sound_values(shape.PlaceTable, table, place, faults)
        places.append(
            place_of(values, place, label, faults, also=(FieldType.ASCII, FieldType.BYTES))
        )
    return tuple(place for place in places if place is not None)


def _newest(
    table: Mapping[str, Any] | None, path: KeyPath, label: str, faults: FaultBook
) -> NewestRule | None:
    if table is None:
        return None
    values = shape.sound_values(shape.NewestTable, table, path, faults)
    by = word_of(NewestBy, "by", values, path, faults)
    if by is None:
        return None
    has_place = "at" in values or "type" in values
    if by is NewestBy.POSITION:
        if has_place:
            text = f"{label}: by = \"position\" has neither 'at' nor 'type'"
            faults.add(path, "layout-records", text)
        return NewestRule(by=by)
    if "at" not in values or "type" not in values:
        if not faults.keys_under(path):
            text = f"{label}: by = \"highest\" needs 'at' and 'type' of the number"
            faults.add(path, "layout-key-missing", text)
        return None
    place = place_of(values, path, label, faults)
    return None if place is None else NewestRule(by=by, place=place)


def _mark(
    table: Mapping[str, Any] | None, path: KeyPath, label: str, faults: FaultBook
) -> MarkRule | None:
    if table is None:
        return None
    values = shape.sound_values(shape.MarkTable, table, path, faults)
    place = place_of({"type": "u8", **values}, path, label, faults)
    valid = numbers_of(values.get("valid"), (*path, "valid"), label, faults)
    return None if place is None or not valid else MarkRule(place=place, valid=valid)


def _value(
    table: Mapping[str, Any] | None, path: KeyPath, label: str, faults: FaultBook
) -> ValueRule | None:
    if table is None:
        return None
    values = shape.sound_values(shape.ValueTable, table, path, faults)
    length: Place | None = None
    if values.get("length") is not None:
        inner: KeyPath = (*path, "length")
        sound = shape.sound_values(shape.PlaceTable, values["length"], inner, faults)
        length = place_of(sound, inner, label, faults)
        if values.get("size") is not None:
            text = f"{label}: a value has 'size' or 'length', not both"
            faults.add(path, "layout-records", text)
    where: Condition | None = condition_of(values.get("where"), (*path, "where"), label, faults)
    if "at" not in values:
        return None
    return ValueRule(at=values["at"], size=values.get("size"), length=length, where=where)


def _judge_record(rules: RecordRules, path: KeyPath, label: str, faults: FaultBook) -> None:
    """What must hold between the parts of a record."""
    if len(rules.span) > LARGEST_STORE:
        text = f"{label}: a store has {LARGEST_STORE} bytes at most"
        faults.add((*path, "span"), "layout-size", text)
    first = rules.page.size - rules.page.header if rules.page else len(rules.span)
    limit = rules.record if rules.record is not None else first
    if limit > first:
        text = f"{label}: a record of {limit} bytes does not fit into {first} bytes"
        faults.add((*path, "record"), "layout-records", text)
    named: list[tuple[str, Span]] = [("key", place.span) for place in rules.key]
    if rules.mark is not None:
        named.append(("mark", rules.mark.place.span))
    if rules.newest.place is not None:
        named.append(("newest", rules.newest.place.span))
    if rules.length is not None:
        named.append(("length", rules.length.place.span))
    named += [
        ("checksum", Span(each.at, each.at + each.size)) for each in rules.checksums if each.at >= 0
    ]
    for name, span in named:
        if span.end > limit:
            text = f"{label}: '{name}' at {format_span(span)} is outside a record of {limit} bytes"
            faults.add((*path, name), "layout-span-outside", text)
    for number, (name, span) in enumerate(named):
        for other, taken in named[:number]:
            if span.overlaps(taken):
                text = f"{label}: '{name}' at {format_span(span)} overlaps '{other}'"
                faults.add((*path, name), "layout-overlap", text)
