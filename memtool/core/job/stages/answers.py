"""How the stages say what they found: answers, and differences told by region."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

from memtool.core.checksums.checksum import ChecksumRule, WhenBlanked, check_checksum
from memtool.core.finding import Check, Finding, Severity, Verdict
from memtool.core.image import Image
from memtool.core.job.events.kinds import ReadsBackedUp
from memtool.core.job.stage import StageVerdict
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import RegionKind
from memtool.core.records.pairing import pair_values
from memtool.core.runs import find_changes
from memtool.core.span import Span, count_addresses, intersect_spans, subtract_spans
from memtool.core.texts.vin import mask_vin
from memtool.core.texts.vin_search import VinFinding
from memtool.core.words import byte_pairs, count_of, identical_reads, listed_spans, spaced

_FEW = 4
"""Regions of a store of records that are told one by one."""


def passed(code: str, text: str) -> Check:
    """A question with a good answer."""
    return Check(code=code, result=Verdict.PASS, text=text)


def failed(code: str, text: str, spans: Iterable[Span] = ()) -> Check:
    """A question with a bad answer."""
    return Check(code=code, result=Verdict.FAIL, text=text, spans=tuple(spans))


def undecided(code: str, text: str, spans: Iterable[Span] = ()) -> Check:
    """A question whose answer was compared, and that a person must judge."""
    return Check(code=code, result=Verdict.DECIDE, text=text, spans=tuple(spans))


def not_checked(code: str, text: str, reason: str, spans: Iterable[Span] = ()) -> Check:
    """A question without an answer, or one that only a person can answer."""
    return Check(
        code=code, result=Verdict.NOT_CHECKED, text=text, reason=reason, spans=tuple(spans)
    )


def to_decide(code: str, text: str, spans: Iterable[Span] = ()) -> Check:
    """A question that was looked at, and that a person must answer."""
    return Check(code=code, result=Verdict.DECIDE, text=text, spans=tuple(spans))


def judge_foreign_vins(
    code: str, text: str, found: Sequence[VinFinding], vehicle_vin: str | None
) -> Check | None:
    """The answer where a VIN is not the vehicle's; None where all are.

    Text beside a VIN can make two of it. Where one of the readings is the vehicle's a person
    decides, and only where none is the VIN is another one.
    """
    foreign = [vin for vin in found if vehicle_vin not in vin.texts]
    if foreign:
        return failed(code, text, [vin.span for vin in foreign])
    unclear = [vin for vin in found if vin.text != vehicle_vin]
    if not unclear:
        return None
    told = "; ".join(
        " or ".join(mask_vin(each.text) for each in vin.all_readings) for vin in unclear
    )
    return to_decide(
        code,
        f"There is text right beside a VIN, so it may be {told}. One of them is the vehicle's: "
        "check where the VIN begins.",
        [vin.span for vin in unclear],
    )


def judge_health(findings: Sequence[Finding], what: str) -> Check:
    """The worst finding about a read, as the answer to "is this a good read?"."""
    for severity in (Severity.FAILURE, Severity.WARNING):
        for finding in findings:
            if finding.severity is not severity:
                continue
            if severity is Severity.FAILURE:
                return failed("health", finding.text, finding.spans)
            return undecided("health", finding.text, finding.spans)
    return passed("health", f"The {what} shows no sign of a bad read.")


def judge_reads(role: str, reads: ReadsBackedUp, not_read: Sequence[Span] = ()) -> Check:
    """Whether the reads of a backup are identical, apart from what the reader could not give."""
    if reads.agree:
        return passed("reads", f"The {role} has {identical_reads(reads.read_count)}.")
    if reads.agree is None:
        text = f"There is a single read of the {role}."
        reason = reads.single_read_reason or "nothing to compare it with"
        return not_checked("reads", text, reason)
    if reads.differing and not subtract_spans(reads.differing, not_read):
        same = identical_reads(reads.read_count)
        text = f"The {role} has {same}, apart from what could not be read."
        return passed("reads", text)
    return failed("reads", f"The reads of the {role} differ from each other.")


def compute_verdict(checks: Sequence[Check]) -> StageVerdict:
    """What all answers say together; nothing asked is not good."""
    results = {check.result for check in checks}
    # Counters that move while a module is powered are told from all that is open otherwise.
    counters = {check.result for check in checks if check.code == "counters"}
    rest = {check.result for check in checks if check.code != "counters"}
    if Verdict.FAIL in results:
        return StageVerdict.FAIL
    if not checks or rest - {Verdict.PASS}:
        return StageVerdict.INCOMPLETE
    if counters - {Verdict.PASS}:
        return StageVerdict.ONLY_COUNTERS_DIFFER
    return StageVerdict.PASS


def spans_of_kinds(layout: Layout, *kinds: RegionKind) -> tuple[Span, ...]:
    """The spans of every region of these kinds."""
    return tuple(region.span for region in layout.regions_of(*kinds))


def tell_by_region(spans: Sequence[Span], layout: Layout | None) -> str:
    """Where the spans lie, in words: ``4 bytes in 'counters' (state)``."""
    if layout is None:
        return f"{_bytes(spans)} at {listed_spans(spans, 4)}"
    parts = []
    together: list[Span] = []
    for rules in layout.records:
        inside = intersect_spans(spans, [rules.span])
        if len([each for each in layout.regions if intersect_spans(inside, [each.span])]) > _FEW:
            parts.append(f"{_bytes(inside)} in the records of '{rules.name}'")
            together += inside
    spans = subtract_spans(spans, together)
    for region in layout.regions:
        inside = intersect_spans(spans, [region.span])
        if inside:
            parts.append(f"{_bytes(inside)} in '{region.name}' ({spaced(region.kind)})")
    outside = subtract_spans(spans, (region.span for region in layout.regions))
    if outside:
        parts.append(f"{_bytes(outside)} outside the layout's regions")
    return ", ".join(parts)


def find_differing(
    kind: RegionKind, first: Image, second: Image, layout: Layout
) -> tuple[str, tuple[Span, ...]] | None:
    """How the regions of a kind differ between two images, in words, and where.

    A region in a store of records is compared by its newest value, wherever that lies.

    Returns:
        No words and no spans where nothing differs; None where the layout has no such region.
    """
    flat = spans_of_kinds(layout, kind)
    pairs = pair_values(layout, first, second, kind)
    if not flat and not pairs:
        return None
    changed = intersect_spans(find_changes(first, second), flat)
    differing = [pair for pair in pairs if not pair.is_equal]
    parts = [tell_by_region(changed, layout)] if changed else []
    parts += [f"{count_of(each.differing, 'byte')} in '{each.name}' ({kind})" for each in differing]
    return ", ".join(parts), (*changed, *(span for each in differing for span in each.spans))


def tell_by_kind(spans: Sequence[Span], layout: Layout | None) -> str:
    """As `tell_by_region`, but how many bytes lie in each kind: ``127 protected, 6 state``."""
    if layout is None:
        return tell_by_region(spans, layout)
    count: Counter[str] = Counter()
    for region in layout.regions:
        count[spaced(region.kind)] += count_addresses(intersect_spans(spans, [region.span]))
    outside = subtract_spans(spans, (region.span for region in layout.regions))
    parts = [f"{number:,} {kind}" for kind, number in count.most_common() if number]
    if outside:
        parts.append(f"{count_addresses(outside):,} outside the layout's regions")
    return ", ".join(parts)


def _bytes(spans: Sequence[Span]) -> str:
    return count_of(count_addresses(spans), "byte")


def split_counters(
    changed: Sequence[Span], layout: Layout | None, edited: Sequence[Span] = ()
) -> tuple[tuple[Span, ...], tuple[Span, ...]]:
    """Divide differences into counters (state regions that were not edited) and the rest."""
    if layout is None:
        return (), tuple(changed)
    state = subtract_spans(spans_of_kinds(layout, RegionKind.STATE), edited)
    return intersect_spans(changed, state), subtract_spans(changed, state)


def check_layout_checksums(
    image: Image, layout: Layout | None, *, donor: Image | None = None
) -> tuple[Check, ...]:
    """Every checksum of the layout; in a blanked image as the layout orders them.

    Args:
        image: Any image of the layout's family.
        layout: None: not checked, and said so.
        donor: The image that was blanked, where `image` came out of a blanking: a checksum
            ordered `erase` is then right when erased, one ordered `keep` when kept.
    """
    if layout is None:
        reason = "no layout names the checksums"
        return (not_checked("checksums", "Checksums were not checked.", reason),)
    if not layout.checksums:
        return ()  # Nothing was looked at, so nothing passed.
    return (
        *(_check_one(image, layout, rule, donor) for rule in layout.checksums if not rule.store),
        *_check_stores(image, layout, donor),
    )


def _check_stores(image: Image, layout: Layout, donor: Image | None) -> Iterator[Check]:
    """Of each store of records one answer for all that holds, and one for each that does not."""
    rules: dict[str, list[ChecksumRule]] = {}
    for rule in layout.checksums:
        if rule.store:
            rules.setdefault(rule.store, []).append(rule)
    for store, its_rules in rules.items():
        checks = [_check_one(image, layout, rule, donor) for rule in its_rules]
        good = sum(check.result is Verdict.PASS for check in checks)
        if good:
            what = count_of(good, "checksum")
            yield passed("checksum", f"In the records of '{store}': {what} as they should be.")
        yield from (check for check in checks if check.result is not Verdict.PASS)


def _check_one(image: Image, layout: Layout, rule: ChecksumRule, donor: Image | None) -> Check:
    if donor is not None and image.covers(rule.stored):
        now = image.read(rule.stored)
        if rule.when_blanked is WhenBlanked.ERASE and now == bytes([layout.erased]) * len(now):
            return passed("checksum", f"Checksum '{rule.name}' is erased, as the layout requires.")
        if rule.when_blanked is WhenBlanked.KEEP and donor.covers(rule.stored):
            if now == donor.read(rule.stored):
                return passed(
                    "checksum", f"Checksum '{rule.name}' is kept, as the layout requires."
                )
            text = f"Checksum '{rule.name}' should have been kept, but differs from the donor's."
            return failed("checksum", text, [rule.stored])
        if rule.when_blanked is WhenBlanked.REFERENCE and now != donor.read(rule.stored):
            text = f"Checksum '{rule.name}' was taken from the reference image."
            return passed("checksum", text)
    result = check_checksum(image, rule)
    values = f"stored {byte_pairs(result.stored)}, computed {byte_pairs(result.computed)}"
    match result.result:
        case Verdict.PASS:
            stored = byte_pairs(result.stored)
            return passed("checksum", f"Checksum '{rule.name}' is right ({stored}).")
        case Verdict.FAIL:
            text = f"Checksum '{rule.name}' is wrong: {values}."
            return failed("checksum", text, [rule.stored])
        case _:
            text = f"Checksum '{rule.name}' could not be computed."
            return not_checked("checksum", text, result.reason or "unknown", [rule.stored])
