"""The rules of the gate that look at images: what goes in, what comes out, what changes."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

from memtool.core.checksums.checksum import check_checksum
from memtool.core.chip import is_same_chip
from memtool.core.finding import Verdict
from memtool.core.image import Image
from memtool.core.job.gate_question import Answer, GateQuestion, LeftOpen
from memtool.core.job.leftovers import CHANCE_LIMIT, find_telling, find_traces, is_telling
from memtool.core.job.protection import find_masked
from memtool.core.job.whose import Owner, find_owner, holds_identity
from memtool.core.layouts.fields import FieldState
from memtool.core.layouts.region import FieldType, RegionKind
from memtool.core.records.finding import find_stores
from memtool.core.records.placing import read_stores
from memtool.core.records.store import RecordStore
from memtool.core.records.values import decode_placed
from memtool.core.runs import find_changes
from memtool.core.span import Span, format_span, intersect_spans, subtract_spans
from memtool.core.texts.known_identity import IdentityMatch, find_identity, find_vins
from memtool.core.texts.new_identity import NewIdentity, find_new_identity
from memtool.core.texts.vin import mask_vin
from memtool.core.words import count_of, listed_spans


def read_areas(question: GateQuestion) -> Answer:
    """Rule `read-areas`."""
    # What the reader could not give is unknown: no plan may change it.
    hidden = question.job.not_read(question.reads.memory) if question.job and question.reads else ()
    if question.plan is not None and (never := intersect_spans(question.plan.spans, hidden)):
        return f"the plan changes bytes at {listed_spans(never)} that the reader could not give"
    masked = find_masked(question.image, question.guarded, question.settled)
    if not masked:
        return None
    shown = listed_spans([each.span for each in masked])
    return (
        f"the protected region at {shown} holds one value throughout, as when a boot loader locks "
        "the reader out; writing that value back would destroy what is there"
    )


def reviewed_layout(question: GateQuestion) -> Answer:
    """Rule `reviewed-layout`."""
    # Without a layout no checksum is refreshed, so none that holds may cover a copy.
    if question.layout is None and question.vins:
        return _breaks_checksum(question)
    if question.layout is None:
        return "there is neither a layout nor a VIN to look for"
    return None if question.layout.reviewed else "nobody has reviewed the layout"


def _breaks_checksum(question: GateQuestion) -> str | None:
    """Why a VIN's copies alone are not blanked: a checksum over one of them holds now."""
    spans = question.plan.spans if question.plan else ()
    for layout in question.described:
        for rule in layout.checksums:
            is_over = intersect_spans(spans, [*rule.covers, rule.stored])
            if is_over and check_checksum(question.image, rule).result is Verdict.PASS:
                return (
                    f"the checksum '{rule.name}' of the layout '{layout.name}' covers a copy and"
                    " holds; that layout can refresh it, a VIN alone would break it"
                )
    # One is enough: a loop for the first of perhaps none.
    for near in question.nearby:
        return (
            f"a checksum covers a copy and holds ({near.algorithm} over {format_span(near.block)},"
            f" stored at {format_span(near.field)}); a layout can refresh it, a VIN alone would"
            " break it"
        )
    return None


def layout_fits(question: GateQuestion) -> Answer:
    """Rule `layout-fits`."""
    layout = question.layout
    if layout is None:
        return None
    if question.image.spans != (layout.span,):
        held = ", ".join(map(format_span, question.image.spans)) or "nothing"
        return f"the layout describes {layout.span}, the image holds {held}"
    if question.reads and not is_same_chip(layout.chip, question.reads.chip):
        return f"the layout is for a {layout.chip}, the image is from a {question.reads.chip}"
    strange = [
        field.name
        for field in decode_placed(layout, question.image)
        if field.type is FieldType.VIN and field.state is FieldState.FAULTY
    ]
    if strange:
        return f"the layout says that there is a VIN where there is none: {', '.join(strange)}"
    for store in read_stores(layout, question.image):
        wrong = sum(not checksum.holds for checksum in store.checksums)
        # Some are always broken, where power was lost in the middle of a write.
        if 2 * wrong > len(store.checksums):
            return (
                f"the store of records '{store.rules.name}' is not where the layout says:"
                f" {wrong} of its {len(store.checksums)} checksums are wrong"
            )
    if question.plan and question.plan.unproven_checksums:
        names = ", ".join(question.plan.unproven_checksums)
        return f"a checksum to be refreshed is already wrong in the donor's image: {names}"
    return None


def records_intact(question: GateQuestion) -> Answer:
    """Rule `records-intact`."""
    if question.layout is not None or question.plan is None:
        return None
    # Other modules of the family tell keys from values; see `memtool.core.records.finding`.
    others = (*question.originals, *([question.reference] if question.reference else []))
    stores = _stores_in(question.image, tuple(others))
    kept = [
        span
        for store in stores
        for checksum in store.checksums
        if checksum.holds
        for span in (*checksum.covers, checksum.stored)
    ]
    broken = intersect_spans(question.plan.spans, kept)
    if not broken:
        return None
    touched = sum(
        any(record.span.overlaps(span) for span in broken)
        for store in stores
        for record in store.records
    )
    return (
        f"the VIN lies in {count_of(touched, 'record')} whose checksums hold, first at"
        f" {listed_spans(broken[:1])}; without a layout they would be broken, and the module may"
        " take its memory for empty"
    )


def other_vehicle(question: GateQuestion) -> Answer:
    """Rule `other-vehicle`."""
    vin = question.job.order.vehicle_vin if question.job else None
    if vin is None:
        return None
    match _owner(question.image, vin):
        case Owner.VEHICLE:
            return "the donor holds this vehicle's VIN and no other, as the original would"
        case Owner.BOTH if question.layout is None:
            return (
                "the donor holds this vehicle's VIN and another vehicle's; only a reviewed layout "
                "can say what to blank"
            )
        case Owner.BOTH:
            text = "The donor holds this vehicle's VIN and another vehicle's."
            return LeftOpen(text=text)
        case _:
            return None


def same_image(question: GateQuestion) -> Answer:
    """Rule `same-image`."""
    if question.image not in question.originals:
        return None
    if not holds_identity(question.image, question.known):
        return None
    return "original and donor hold the same bytes, with an identity in them: one was read twice"


def protected_untouched(question: GateQuestion) -> Answer:
    """Rule `protected-untouched`."""
    if question.plan is None:
        return None
    guarded = question.guarded
    # Asked for, planned, and changed in truth: each by itself would be refused.
    changed = list(question.plan.spans) + list(question.plan.asked)
    if question.blanked:
        changed += find_changes(question.image, question.blanked)
    touched = intersect_spans(changed, [each.span for each in guarded])
    if touched:
        layouts = {each.layout for each in guarded if intersect_spans(touched, [each.span])}
        named = ", ".join(f"'{name}'" for name in sorted(layouts))
        return (
            f"the plan touches a protected or module-identity region at {listed_spans(touched)}"
            f" (layout {named})"
        )
    # Nothing was touched, but nothing is known to be protected either.
    if not question.layouts:
        text = "Whether protected regions stay untouched was not checked."
        return LeftOpen(text=text, reason="no layout says where they are")
    return None


def only_planned(question: GateQuestion) -> Answer:
    """Rule `only-planned`."""
    if question.plan is None or question.blanked is None:
        return "there is no plan"
    outside = subtract_spans(find_changes(question.image, question.blanked), question.plan.spans)
    if outside or question.blanked.spans != question.image.spans:
        return f"bytes outside the plan would change at {listed_spans(outside)}"
    return None


def no_new_identity(question: GateQuestion) -> Answer:
    """Rule `no-new-identity`."""
    if question.blanked is None:
        return None
    found = _new_identities(question.image, question.blanked, question.known)
    if not found:
        return None
    first = found[0]
    return (
        f"the file would hold a VIN or a part of one ({mask_vin(first.text)}, {first.part},"
        f" stored as {first.stored_as}) at {first.span} that the donor does not hold"
    )


def clean_reference(question: GateQuestion) -> Answer:
    """Rule `clean-reference`."""
    if question.plan is None or not question.plan.takes_reference or question.reference is None:
        return None
    held = _identity_in(question.reference, question.known)
    if held is None:
        return None
    return (
        f"the reference image holds an identity at {held}, so it is not a never-configured module's"
    )


def kept_identity(question: GateQuestion) -> Answer:
    """Rule `kept-identity`."""
    if question.plan is None or not question.plan.kept:
        return None
    regions = [
        region.span
        for each in question.layouts
        for region in each.regions
        if region.kind is RegionKind.VEHICLE_IDENTITY
    ]
    whole = [
        match.span
        for match in find_traces(question.image, question.identities)
        if match.part == "whole" and is_telling(match)
    ]
    found = [vin.span for vin in find_vins(question.image)]
    for kept in question.plan.kept:
        if any(kept.span.overlaps(span) for span in (*regions, *whole, *found)):
            return f"the kept span {format_span(kept.span)} holds a VIN, or the place for one"
    return None


def no_leftover(question: GateQuestion) -> Answer:
    """Rule `no-leftover`."""
    if not question.identities:
        text = "Traces of the donor's identity were not searched for."
        return LeftOpen(text=text, reason="no VIN was found, so there is nothing to search for")
    if question.blanked is None:
        return None
    # In the image as it would be written, not in the plan: what the plan misses counts.
    telling = find_telling(_traces(question.blanked, question.identities))
    kept = [each.span for each in question.plan.kept] if question.plan else []
    left = [match for match in telling if not any(span.contains(match.span) for span in kept)]
    if left:
        return (
            f"a trace of the old identity remains outside the plan at {left[0].span}"
            f" ({left[0].part}, stored as {left[0].stored_as})"
        )
    # Named all the same, so that nobody takes the file for clean.
    if telling:
        places = listed_spans([match.span for match in telling])
        return LeftOpen(text=f"A kept span still holds a trace of the identity: {places}.")
    return None


def _identity_in(image: Image, known: Sequence[str]) -> Span | None:
    """Where the image holds a VIN, or a trace of a known one; None where it holds none."""
    for vin in find_vins(image):
        return vin.span
    for text in known:
        for match in find_identity(image, text):
            if is_telling(match):
                return match.span
    return None


# The rules are asked before and after the person confirms, of the same images.
@lru_cache(maxsize=4)
def _new_identities(
    image: Image, blanked: Image, known: tuple[str, ...]
) -> tuple[NewIdentity, ...]:
    return find_new_identity(
        [image], blanked, find_changes(image, blanked), chance_limit=CHANCE_LIMIT, known=known
    )


@lru_cache(maxsize=4)
def _stores_in(image: Image, others: tuple[Image, ...]) -> tuple[RecordStore, ...]:
    """Stores of records in the image, seen with the other modules' images and alone."""
    found = find_stores([image, *others]) or find_stores([image])
    return tuple(each.store for each in found)


@lru_cache(maxsize=4)
def _owner(image: Image, vehicle_vin: str) -> Owner:
    return find_owner(image, vehicle_vin)


@lru_cache(maxsize=4)
def _traces(image: Image, identities: tuple[str, ...]) -> tuple[IdentityMatch, ...]:
    return find_traces(image, identities)
