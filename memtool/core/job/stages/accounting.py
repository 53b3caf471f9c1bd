"""After setup every changed byte is accounted for, or left to a person by region.

The maker's procedure writes the VIN, configuration, flags and checksums: these have checks of
their own. All else that is another than in the image that was on the module before is a point
for a person, one for each region, with the cause that is usual there (common practice, no
source). Bytes of a protected region are shown only by address and count.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from memtool.core.finding import Check
from memtool.core.image import Image
from memtool.core.job.job import Job
from memtool.core.job.order import Order
from memtool.core.job.stages.answers import (
    not_checked,
    passed,
    spans_of_kinds,
    tell_by_region,
    undecided,
)
from memtool.core.layouts.layout import Layout, ModuleKind
from memtool.core.layouts.region import RegionKind
from memtool.core.records.placing import place_records, read_stores
from memtool.core.records.store import RecordStore
from memtool.core.runs import find_changes
from memtool.core.span import (
    Span,
    count_addresses,
    intersect_spans,
    subtract_spans,
    union_spans,
)
from memtool.core.words import count_of

_EXPECTED = (
    RegionKind.VEHICLE_IDENTITY,
    RegionKind.CONFIGURATION,
    RegionKind.STATE,
    RegionKind.CHECKSUM,
)
"""Kinds that the procedure writes, or that count by themselves."""
_OWN_CODE = (RegionKind.PROTECTED, RegionKind.MODULE_IDENTITY)
_CAUSES = {
    RegionKind.PROTECTED: "Were keys learned, or is mileage counted here?",
    RegionKind.MODULE_IDENTITY: "Did the procedure update the software?",
    RegionKind.CODE: "Did the procedure update the software?",
    RegionKind.CALIBRATION: "Did the procedure update or learn this?",
}
_OTHERWISE = "Are these counters, fault memory or adaptations?"
_NO_LAYOUT = "no layout says what is where"
_DISCLOSURE = "Many countries require disclosure, some a notice on the vehicle: check local law."
_MILEAGE_WORDS = ("mileage", "odometer")


def account_for_changes(
    read: Image, before: Image | None, layout: Layout | None, known: Iterable[Span]
) -> tuple[Check, ...]:
    """What changed since the module was written, as far as no other check judges it.

    Args:
        read: The module's content now.
        before: What was written to it; the donor's own image where nothing was. None: unknown.
        layout: None: only the spans of `known` are accounted for.
        known: Where VINs were found, which are judged by themselves.
    """
    if before is None:
        reason = "there is no image to compare with"
        return (
            *_each_not_checked(reason),
            not_checked(
                "changed-bytes",
                "Whether every changed byte is accounted for was not checked.",
                reason,
            ),
        )
    changed = subtract_spans(find_changes(before, read), known)
    if layout is None:
        checks = _each_not_checked(_NO_LAYOUT)
        if changed:
            text = f"{tell_by_region(changed, None)} differ from what was written. {_OTHERWISE}"
            return (*checks, undecided("changed-bytes", text, changed))
        return (*checks, passed("changed-bytes", "Only the VIN's own bytes changed."))
    expected = find_procedure_spans(layout, before, read)
    layout = place_records(layout, read)
    rest = subtract_spans(changed, expected)
    return (
        *(check for kind in _OWN_CODE for check in _of_kind(kind, rest, layout)),
        *_others(subtract_spans(rest, spans_of_kinds(layout, *_OWN_CODE)), layout),
    )


def find_procedure_spans(layout: Layout, before: Image, read: Image) -> tuple[Span, ...]:
    """Where a change is no surprise: what the maker's procedure writes has these kinds.

    In a store of records that is a new record of a key that the layout describes so, with the
    header of its page, in which it is marked.
    """
    found: list[Span] = []
    # Records may have moved: both the old places and the new ones are expected to change.
    for image in (before, read):
        placed = place_records(layout, image)
        found += spans_of_kinds(placed, *_EXPECTED)
        found += [rule.stored for rule in placed.checksums]
        for store in read_stores(layout, image):
            header = store.rules.page.header if store.rules.page else 0
            found += [
                Span(page.span.start, page.span.start + header) for page in store.pages if header
            ]
            found += _new_records(layout, store, before)
    return union_spans(found)


def _new_records(layout: Layout, store: RecordStore, before: Image) -> Iterator[Span]:
    keys = [
        key
        for described in store.rules.regions
        if described.region.kind in _EXPECTED
        for key in described.keys
    ]
    for record in store.records:
        was = before.read(record.span) if before.covers(record.span) else b""
        # Written into erased space: a new record. One written over an old one is none.
        if set(was) == {layout.erased} and any(record.key[: len(key)] == key for key in keys):
            yield record.span


def _each_not_checked(reason: str) -> tuple[Check, ...]:
    return tuple(
        not_checked(f"{kind.value}-equal", f"The {kind.value} regions were not compared.", reason)
        for kind in _OWN_CODE
    )


def _of_kind(kind: RegionKind, rest: tuple[Span, ...], layout: Layout) -> tuple[Check, ...]:
    code = f"{kind.value}-equal"
    points = tuple(
        undecided(code, f"{_count(inside)} of '{region.name}' changed. {_CAUSES[kind]}", inside)
        for region in layout.regions_of(kind)
        if (inside := intersect_spans(rest, [region.span]))
    )
    return points or (passed(code, f"The {kind.value} regions are as before."),)


def _others(rest: tuple[Span, ...], layout: Layout) -> tuple[Check, ...]:
    code = "changed-bytes"
    points = []
    for region in layout.regions:
        inside = intersect_spans(rest, [region.span])
        if inside:
            cause = _CAUSES.get(region.kind, _OTHERWISE)
            text = f"{_count(inside)} of '{region.name}' ({region.kind}) changed. {cause}"
            points.append(undecided(code, text, inside))
    outside = subtract_spans(rest, (region.span for region in layout.regions))
    if outside:
        text = f"{_count(outside)} outside the layout's regions changed. {_OTHERWISE}"
        points.append(undecided(code, text, outside))
    return tuple(points) or (
        passed(code, "Every changed byte is accounted for: identity, configuration, state."),
    )


def _count(spans: Iterable[Span]) -> str:
    return count_of(count_addresses(tuple(spans)), "byte")


def holds_mileage(order: Order, layout: Layout | None) -> bool:
    """Whether the module shows or keeps mileage: by the order, its kind, or a layout's region."""
    if order.module_kind is ModuleKind.CLUSTER or "mileage" in (order.also_holds or ()):
        return True
    return layout is not None and any(
        word in region.name.casefold()
        for region in layout.regions_of(RegionKind.PROTECTED)
        for word in _MILEAGE_WORDS
    )


def find_mileage(job: Job) -> tuple[str, str] | None:
    """What the vehicle showed before the work and after it, as it was reported last."""
    for check in reversed(job.stage_checks):
        if check.mileage_before is not None and check.mileage_after is not None:
            return check.mileage_before, check.mileage_after
    return None


def check_mileage(before: str | None, after: str | None) -> Check:
    """The mileage that was shown before the work and after it, as reported; never decoded."""
    code = "mileage"
    if before is None or after is None:
        text = "The mileage shown before and after was not compared."
        return not_checked(code, text, f"it is not on record. {_DISCLOSURE.rstrip('.')}")
    if before.strip() == after.strip():
        return passed(code, f"Mileage shown before and after: {after}, as reported. {_DISCLOSURE}")
    text = f"Mileage shown before: {before}, after: {after}, as reported. {_DISCLOSURE}"
    return undecided(code, text)
