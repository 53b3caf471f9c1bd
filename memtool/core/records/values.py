"""The values that a layout names in record stores, decoded: the newest, and the old ones."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from memtool.core.image import Image
from memtool.core.layouts.fields import DecodedField, decode_field
from memtool.core.layouts.layout import Layout, decode_fields
from memtool.core.layouts.record_rules import RecordRegion
from memtool.core.layouts.region import RegionKind
from memtool.core.records.placing import place_records, read_stores, span_in_record
from memtool.core.records.store import RecordStore, Standing, StoredRecord
from memtool.core.span import Span


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordValue:
    """One version of one region of a record store."""

    store: str
    """Its name."""
    region: RecordRegion
    spans: tuple[Span, ...]
    """Where its parts lie, in their order."""
    raw: bytes
    """The parts, joined."""
    is_newest: bool
    field: DecodedField | None
    """None where the region is no field, or parts of it are missing."""


def read_values(layout: Layout, image: Image) -> tuple[RecordValue, ...]:
    """Every version of every region of the layout's stores; of each region the newest first.

    Of a value over several keys the records of each key are told apart by their age: the last
    ones make one version, those before them another.
    """
    return tuple(
        value
        for store in read_stores(layout, image)
        for described in store.rules.regions
        for value in _versions(described, store, image, layout)
    )


def decode_placed(layout: Layout, image: Image) -> tuple[DecodedField, ...]:
    """The fields of `layout` in `image`, with those whose value is spread over several keys.

    Of a value in several places the span is that of its first part.
    """
    placed = place_records(layout, image)
    spread = (
        value.field
        for value in read_values(layout, image)
        if value.is_newest
        and value.field is not None
        and len(value.region.keys) > 1
        and not any(
            region.kind is RegionKind.PROTECTED
            for span in value.spans
            for region in placed.regions_in(span)
        )
    )
    return (*decode_fields(placed, image), *spread)


def _versions(
    described: RecordRegion, store: RecordStore, image: Image, layout: Layout
) -> Iterator[RecordValue]:
    histories = [_by_age(store, described, part) for part in range(len(described.keys))]
    several = len(histories) > 1
    for age in range(min(map(len, histories)) if several else len(histories[0])):
        records = [history[age] for history in histories]
        spans = [
            span
            for part, record in enumerate(records)
            if (span := span_in_record(described, part, record, store)) is not None
        ]
        if not spans:
            continue
        raw = b"".join(image.read(span) for span in spans)
        region = described.region
        field = None
        if len(raw) == len(region.span):
            here = region._replace(span=Span(0, len(raw)))
            field = decode_field(here, raw, erased=layout.erased)
        yield RecordValue(
            store=store.rules.name,
            region=described,
            spans=tuple(spans),
            raw=raw,
            is_newest=all(record.standing is Standing.NEWEST for record in records),
            field=None if field is None else replace(field, span=spans[0]),
        )


def _by_age(store: RecordStore, described: RecordRegion, part: int) -> list[StoredRecord]:
    """The records of one key, the one that counts first, then the younger ones first."""
    records = list(reversed(store.history_of(described.keys[part])))
    return sorted(records, key=lambda record: record.standing is not Standing.NEWEST)
