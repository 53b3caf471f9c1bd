"""Where the rules of a layout's record stores place regions and checksums in one image.

All that works with regions and checksums at addresses (plans, gate, checks, maps) gets a
layout in which each record of a key that the layout describes has its own region, stale ones
too, and in which the checksums of these records and of their pages are rules like any other.

1. The newest record's region bears the name that the layout gives and is its field; older
   ones say where they lie, and are no fields.
2. A checksum that does not hold in the image is kept, whatever the layout says: such a
   record was cut off while it was written, and no blanking makes it count.
3. A region that reaches beyond its record's value or end is cut there and is no field.
4. What "blank" is comes from the newest record of the same key in the reference image, where
   the layout says so.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from memtool.core.checksums.checksum import ChecksumRule, WhenBlanked
from memtool.core.image import Image
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.record_rules import RecordRegion
from memtool.core.layouts.region import BlankSource, Region, RegionKind
from memtool.core.records.reading import read_store
from memtool.core.records.store import PlacedChecksum, RecordStore, Standing, StoredRecord
from memtool.core.span import Span, format_address


class NoReferenceRecordError(ValueError):
    """The reference image holds no record that says what blank looks like."""


def place_records(
    layout: Layout,
    image: Image,
    *,
    reference: Image | None = None,
    touching: Sequence[Span] = (),
) -> Layout:
    """`layout` with everything that its record stores hold in `image` at its address.

    Args:
        layout: One without record stores comes back as it is.
        image: Read by the stores' rules.
        reference: Image of a never-configured module; None: regions that take their blank
            bytes from it say so still.
        touching: The checksums of records that these spans touch are placed, too.

    Raises:
        NoReferenceRecordError: `reference` is given, and has no record of a key whose blank
            bytes the layout takes from it.
    """
    if not layout.records or layout.placed:
        return layout
    return _place(layout, image, reference, tuple(touching))


def place_known(layout: Layout | None, image: Image) -> Layout | None:
    """`place_records` where there may be no layout."""
    return None if layout is None else place_records(layout, image)


def place_in_all(layout: Layout | None, images: Sequence[Image]) -> Layout | None:
    """`layout` with what its record stores hold in any of `images`, to look at them together.

    Where records of two images overlap, the first image's region is kept, unless the other
    one is protected: what is protected in one is not shown in any.
    """
    if layout is None or not layout.records or layout.placed:
        return layout
    regions: list[Region] = []
    checksums: dict[ChecksumRule, None] = {}
    for image in images:
        placed = place_records(layout, image)
        for region in placed.regions:
            over = [each for each in regions if each.span.overlaps(region.span)]
            # A region is dropped for one that stands there already, but a protected one never is.
            if over and (
                region.kind is not RegionKind.PROTECTED
                or all(each.kind is RegionKind.PROTECTED for each in over)
            ):
                continue
            regions = [each for each in regions if each not in over]
            regions.append(region)
        checksums.update(dict.fromkeys(placed.checksums))
    fields = {region.span for region in regions}
    kept = tuple(rule for rule in checksums if rule.stored in fields)
    return replace(layout, regions=tuple(regions), checksums=kept, placed=True)


@lru_cache(maxsize=16)
def read_stores(layout: Layout, image: Image) -> tuple[RecordStore, ...]:
    """Every record store of `layout`, as it lies in `image`."""
    return tuple(read_store(image, rules, erased=layout.erased) for rules in layout.records)


@lru_cache(maxsize=16)
def _place(
    layout: Layout, image: Image, reference: Image | None, touching: tuple[Span, ...]
) -> Layout:
    sources = read_stores(layout, reference) if reference is not None else None
    regions, checksums = list(layout.regions), list(layout.checksums)
    for number, store in enumerate(read_stores(layout, image)):
        placed: list[_PlacedRegion] = []
        for described in store.rules.regions:
            source = None if sources is None or reference is None else sources[number]
            placed += _regions_of(described, store, source, reference)
        regions += [each.region for each in placed]
        holders = {each.record.span for each in placed}
        touched = [
            record
            for record in store.records
            if record.span in holders or any(record.span.overlaps(span) for span in touching)
        ]
        checksums += _rules_of(store, touched)
    return replace(layout, regions=tuple(regions), checksums=tuple(checksums), placed=True)


@dataclass(frozen=True, slots=True)
class _PlacedRegion:
    record: StoredRecord
    region: Region


def _regions_of(
    described: RecordRegion,
    store: RecordStore,
    source: RecordStore | None,
    reference: Image | None,
) -> Iterator[_PlacedRegion]:
    """The region in every record of its key, or of its keys' parts in all of theirs."""
    several = len(described.keys) > 1
    names: set[str] = set()
    for part, key in enumerate(described.keys):
        for record in store.history_of(key):
            span = span_in_record(described, part, record, store)
            if span is None:
                continue
            region = described.region
            name = f"{region.name}, part {part + 1}" if several else region.name
            is_newest = record.standing is Standing.NEWEST and region.name not in names
            if not is_newest:
                name = f"{name}, in the record at {format_address(record.span.start)}"
            elif not several:
                names.add(region.name)
            placed = region._replace(name=name, span=span)
            if several or not is_newest or len(span) != len(region.span):
                placed = placed._replace(type=None, stored_as="plain", bits=())
            if region.blank_to is BlankSource.REFERENCE and source and reference:
                blank = _blank_of(described, part, source, reference, len(span))
                placed = placed._replace(blank_to=blank)
            yield _PlacedRegion(record, placed)


def span_in_record(
    described: RecordRegion, part: int, record: StoredRecord, store: RecordStore
) -> Span | None:
    """Where the region lies in one record; rule 3. None: it is too short for any of it."""
    wanted = described.region.span
    if len(described.keys) == 1:
        start = record.span.start + wanted.start
        # What lies behind the value is padding; what lies before it is the record's own.
        inside = record.value is not None and start >= record.value.start
        end = record.value.end if inside and record.value is not None else record.span.end
        end = min(end, record.span.start + wanted.end)
        return Span(start, end) if start < end else None
    size = store.rules.value.size if store.rules.value else None
    if size is None or record.value is None:
        return None
    # Both count from the first byte of the joined values.
    here = Span(part * size, (part + 1) * size).intersection(wanted)
    if here is None:
        return None
    base = record.value.start - part * size
    return Span(base + here.start, base + here.end)


def _blank_of(
    described: RecordRegion, part: int, source: RecordStore, reference: Image, length: int
) -> bytes:
    for record in reversed(source.history_of(described.keys[part])):
        span = span_in_record(described, part, record, source)
        if record.standing is Standing.NEWEST and span is not None and len(span) >= length:
            return reference.read(span)[:length]
    key = ", ".join(map(str, described.keys[part]))
    raise NoReferenceRecordError(
        f"the layout takes '{described.region.name}' from the reference image, which holds no"
        f" such record in force (key {key})"
    )


def _rules_of(store: RecordStore, records: Sequence[StoredRecord]) -> Iterator[ChecksumRule]:
    for record in records:
        for number, checksum in enumerate(record.checksums):
            which = "record" if number == 0 else f"record's checksum {number + 1},"
            yield _rule(checksum, store.rules.name, which, record.span)
    for page in store.pages:
        if page.checksum is not None:
            yield _rule(page.checksum, store.rules.name, "page", page.span)


def _rule(placed: PlacedChecksum, store: str, which: str, span: Span) -> ChecksumRule:
    return ChecksumRule(
        name=f"{store}, {which} at {format_address(span.start)}",
        algorithm=placed.rule.algorithm,
        covers=placed.covers,
        stored=placed.stored,
        byte_order=placed.rule.byte_order,
        when_blanked=placed.rule.when_blanked if placed.holds else WhenBlanked.KEEP,
        store=store,
    )
