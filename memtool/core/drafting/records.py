"""Stores of records: one guess in place of hundreds of regions.

What the rules say of a store is proven by its checksums or by keys that all modules share. A VIN
in it is a region of the records of its key, wherever they lie in each module.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from memtool.core.drafting.assembly import Assembly
from memtool.core.drafting.draft import Confidence, RecordsGuess
from memtool.core.drafting.spread_vins import Spread, find_spread_vins
from memtool.core.image import Image
from memtool.core.layouts.record_rules import Key, RecordRegion, RecordRules, format_key
from memtool.core.layouts.region import BlankSource, FieldType, Region, RegionKind
from memtool.core.records.finding import find_stores
from memtool.core.records.reading import read_store
from memtool.core.records.store import RecordStore, Standing
from memtool.core.span import Span, format_address
from memtool.core.texts.known_identity import find_vins
from memtool.core.texts.vin import VIN_LENGTH
from memtool.core.words import count_of

_KEYS_TOLD = 8
"""Keys whose records the evidence names one by one."""


def add_records(assembly: Assembly) -> tuple[RecordsGuess, ...]:
    """Guess the stores of records, and take their addresses."""
    survey = assembly.survey
    images = [module.reads[0] for module in survey.configured]
    guesses = []
    for found in find_stores(images, erased=survey.erased):
        rules = found.store.rules._replace(name=assembly.names.of("records", None))
        if not all(image.covers(rules.span) for image in images):
            continue
        stores = [read_store(image, rules, erased=survey.erased) for image in images]
        reference = next((module.reads[0] for module in survey.references), None)
        regions = tuple(_vin_regions(assembly, rules, images, stores, reference))
        guesses.append(
            RecordsGuess(
                rules=rules._replace(regions=regions),
                evidence=tuple(_evidence(stores[0], regions)),
                confidence=Confidence.NEARLY_CERTAIN if found.is_proven else Confidence.LIKELY,
            )
        )
        assembly.claims.take(rules.span)
        assembly.stores.append(rules.span)
    return tuple(guesses)


def _vin_regions(
    assembly: Assembly,
    rules: RecordRules,
    images: list[Image],
    stores: list[RecordStore],
    reference: Image | None,
) -> Iterator[RecordRegion]:
    """The keys under which VINs lie, with the place in their records."""
    places: Counter[tuple[Key, int, str]] = Counter()
    for image, store in zip(images, stores, strict=True):
        for vin in find_vins(image):
            if len(vin.span) != VIN_LENGTH:
                continue
            record = next((r for r in store.records if r.span.contains(vin.span)), None)
            if record is not None:
                places[record.key, vin.span.start - record.span.start, vin.stored_as] += 1
    blank_keys = set()
    if reference is not None and reference.covers(rules.span):
        blank = read_store(reference, rules, erased=assembly.survey.erased)
        blank_keys = {record.key for record in blank.newest}
    found: list[Spread] = [
        ((key,), at, stored_as) for (key, at, stored_as), _ in places.most_common()
    ]
    found += find_spread_vins(rules, images, stores)
    taken: set[Key] = set()
    for keys, at, stored_as in found:
        # Commonest places first, so that a key gets one place in its records and no second.
        if taken & set(keys):
            continue
        taken |= set(keys)
        is_known = set(keys) <= blank_keys
        yield RecordRegion(
            keys=keys,
            region=Region(
                name=assembly.names.of("VIN in records", None),
                span=Span(at, at + VIN_LENGTH),
                kind=RegionKind.VEHICLE_IDENTITY,
                type=FieldType.VIN,
                stored_as=stored_as,
                blank_to=BlankSource.REFERENCE if is_known else BlankSource.ERASED,
            ),
        )


def _evidence(store: RecordStore, regions: tuple[RecordRegion, ...]) -> Iterator[str]:
    """What was seen in the first module: one record of each key, with its history."""
    checksums = store.checksums
    held = sum(checksum.holds for checksum in checksums)
    keys = store.keys
    yield (
        f"{count_of(len(store.records), 'record')} of {count_of(len(keys), 'key')} in the first"
        f" module: {len(store.newest)} newest, {len(store.stale)} old."
    )
    if checksums:
        yield f"{held} of {len(checksums)} checksums of records and pages are right."
    named = {key for region in regions for key in region.keys}
    told = sorted(keys, key=lambda key: key not in named)[:_KEYS_TOLD]
    for key in told:
        history = store.history_of(key)
        newest = [each for each in history if each.standing is Standing.NEWEST]
        place = f"newest at {format_address(newest[-1].span.start)}" if newest else "none in force"
        old = [format_address(each.span.start) for each in history if each not in newest]
        before = f", before it {', '.join(old[-4:])}" if old else ""
        more = f" and {len(old) - 4} more" if len(old) > 4 else ""
        yield f"Key {format_key(key)}: {place}{before}{more}."
    if len(keys) > len(told):
        yield f"{len(keys) - len(told)} more keys."
