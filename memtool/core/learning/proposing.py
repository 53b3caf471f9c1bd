"""What a finished job proposes to change in its layout.

1. What no region explains and holds the vehicle's VIN is proposed as vehicle identity.
2. What no region explains and is, every byte of it, as in the original is proposed as
   configuration: it follows the vehicle. Few bytes are alike by chance as well, and the
   confidence says so.
3. A calibration or unused region that was written and is now as in the original is proposed
   as configuration.
4. Nothing is proposed for bytes that any layout protects, nor for what is not the original's:
   counters, fault memory and adaptations look like that (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from memtool.core.drafting.draft import Confidence
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.record_rules import Key, format_key
from memtool.core.layouts.region import BlankSource, FieldType, Region, RegionKind
from memtool.core.learning.learned import Ended, Proposal, WrittenPlace
from memtool.core.learning.stored import StoreWriting
from memtool.core.span import Span, format_address, intersect_spans, subtract_spans
from memtool.core.texts.known_identity import find_vins
from memtool.core.texts.vin import VIN_LENGTH
from memtool.core.texts.vin_search import VinFinding
from memtool.core.words import count_of

_TELLING = 4
"""Equal bytes from which on a value is likely no chance; small numbers are often equal."""
_FOLLOWS = (RegionKind.CALIBRATION, RegionKind.UNUSED)


def propose(
    ended: Ended,
    written: tuple[WrittenPlace, ...],
    unexplained: tuple[WrittenPlace, ...],
    stores: Sequence[StoreWriting],
) -> Iterator[Proposal]:
    """Every change that the job's evidence speaks for.

    Args:
        ended: The job's images.
        written: What regions explain.
        unexplained: What none does.
        stores: The memory's stores of records.
    """
    vins = [
        vin
        for vin in find_vins(ended.finished)
        if vin.text == ended.vehicle_vin and len(vin.span) == VIN_LENGTH
    ]
    names = _Names(ended.layout)
    by_name = {store.rules.name: store for store in stores}
    regions = [region.span for region in ended.layout.regions]
    closed = [*regions, *(rules.span for rules in ended.layout.records), *ended.hidden]
    found: list[Span] = []
    for vin in vins:
        new = any(place.store is None and _meets(place, vin.span) for place in unexplained)
        if new and not intersect_spans([vin.span], closed):
            found.append(vin.span)
            yield _vin_at(vin, names)
    for place in unexplained:
        if place.is_protected:
            continue
        if place.store is not None and place.key is not None:
            yield from _of_key(place, by_name[place.store], place.key, vins, names)
        elif place.follows_vehicle:
            for span in subtract_spans(place.spans, found):
                yield _configuration(span, len(span), names.of(span.start), "Here")
    for place in written:
        if place.kind in _FOLLOWS and place.follows_vehicle and place.name is not None:
            changed = _changed_kind(ended, place)
            if changed is not None:
                yield changed


def _meets(place: WrittenPlace, span: Span) -> bool:
    return bool(intersect_spans(place.spans, [span]))


class _Names:
    """Names that the layout does not have yet."""

    def __init__(self, layout: Layout) -> None:
        self._taken = {region.name for region in layout.regions}
        for rules in layout.records:
            self._taken |= {rules.name, *(each.region.name for each in rules.regions)}

    def of(self, address: int, *, key: str | None = None, what: str = "set by procedure") -> str:
        name = f"{what} at {format_address(address)}" if key is None else f"{what}, key {key}"
        number, free = 2, name
        while free in self._taken:
            free, number = f"{name} ({number})", number + 1
        self._taken.add(free)
        return free


def _vin_at(vin: VinFinding, names: _Names) -> Proposal:
    return _identity(vin, vin.span, names.of(vin.span.start, what="VIN"))


def _identity(
    vin: VinFinding, span: Span, name: str, store: str | None = None, key: Key | None = None
) -> Proposal:
    return Proposal(
        region=Region(
            name=name,
            span=span,
            kind=RegionKind.VEHICLE_IDENTITY,
            type=FieldType.VIN,
            stored_as=vin.stored_as,
            blank_to=BlankSource.ERASED,
        ),
        confidence=Confidence.NEARLY_CERTAIN,
        evidence=(
            f"The maker's procedure wrote the vehicle's VIN here, stored as {vin.stored_as}.",
            "No region of the layout explains it. What blank looks like is a guess: erased.",
        ),
        store=store,
        key=key,
    )


def _configuration(
    span: Span, count: int, name: str, which: str, store: str | None = None, key: Key | None = None
) -> Proposal:
    likely = count >= _TELLING
    what = count_of(count, "byte")
    text = f"{which} the maker's procedure wrote {what} as the original has, and the file to"
    evidence = [f"{text} program had not: it follows the vehicle."]
    if not likely:
        evidence.append("So few bytes can be alike by chance.")
    return Proposal(
        region=Region(name=name, span=span, kind=RegionKind.CONFIGURATION, type=FieldType.BYTES),
        confidence=Confidence.LIKELY if likely else Confidence.POSSIBLE,
        evidence=tuple(evidence),
        store=store,
        key=key,
    )


def _of_key(
    place: WrittenPlace, store: StoreWriting, key: Key, vins: list[VinFinding], names: _Names
) -> Iterator[Proposal]:
    record = store.record_of(key)
    if record is None:
        return
    told, start = format_key(key), record.span.start
    inside = [vin for vin in vins if any(span.contains(vin.span) for span in place.spans)]
    for vin in inside:
        relative = Span(vin.span.start - start, vin.span.end - start)
        yield _identity(vin, relative, names.of(start, key=told, what="VIN"), store.rules.name, key)
    if not inside and place.follows_vehicle:
        for span in place.spans:
            yield _configuration(
                Span(span.start - start, span.end - start),
                place.count,
                names.of(start, key=told),
                f"Under key {told}",
                store.rules.name,
                key,
            )


def _changed_kind(ended: Ended, place: WrittenPlace) -> Proposal | None:
    layout = ended.layout
    described = [
        (each.region, rules.name, each.keys)
        for rules in layout.records
        for each in rules.regions
        if each.region.name == place.name and rules.name == place.store
    ]
    store, key = None, None
    region = layout.region_named(place.name or "")
    if place.store is not None and described:
        region, store, keys = described[0]
        key = keys[0]
    is_flat = place.store is None
    if region is None or (is_flat and intersect_spans([region.span], ended.hidden)):
        return None
    what = count_of(place.count, "byte")
    return Proposal(
        region=region._replace(kind=RegionKind.CONFIGURATION),
        confidence=Confidence.LIKELY if place.count >= _TELLING else Confidence.POSSIBLE,
        evidence=(
            f"Here the maker's procedure wrote {what} as the original has.",
            f"Until now the layout called this region {region.kind}.",
            "No leaves the region out; to keep it as it was, change its kind back.",
        ),
        store=store,
        key=key,
        was=region.kind,
    )
