"""How the stages say what they found: answers, and differences told by region."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from memtool.core.checksums.checksum import ChecksumRule, WhenBlanked, check_checksum
from memtool.core.finding import Check, Finding, Severity, Verdict
from memtool.core.image import Image
from memtool.core.job import StageVerdict
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import RegionKind
from memtool.core.span import Span, count_addresses, format_span, intersect_spans, subtract_spans


def passed(code: str, text: str) -> Check:
    """A question with a good answer."""
    return Check(code=code, result=Verdict.PASS, text=text)


def failed(code: str, text: str, spans: Iterable[Span] = ()) -> Check:
    """A question with a bad answer."""
    return Check(code=code, result=Verdict.FAIL, text=text, spans=tuple(spans))


def not_checked(code: str, text: str, reason: str, spans: Iterable[Span] = ()) -> Check:
    """A question without an answer, or one that only a person can answer."""
    return Check(
        code=code, result=Verdict.NOT_CHECKED, text=text, reason=reason, spans=tuple(spans)
    )


def judge_health(findings: Sequence[Finding], what: str) -> Check:
    """The worst finding about a read, as the answer to "is this a good read?"."""
    for severity in (Severity.FAILURE, Severity.WARNING):
        for finding in findings:
            if finding.severity is not severity:
                continue
            if severity is Severity.FAILURE:
                return failed("health", finding.text, finding.spans)
            reason = "a person looks at this"
            return not_checked("health", finding.text, reason, finding.spans)
    return passed("health", f"The {what} shows no sign of a bad read.")


def compute_verdict(checks: Sequence[Check]) -> StageVerdict:
    """What all answers say together; nothing asked is not good."""
    results = {check.result for check in checks}
    if Verdict.FAIL in results:
        return StageVerdict.FAIL
    if any(
        check.code == "counters" and check.result is Verdict.NOT_CHECKED for check in checks
    ) and all(check.result is Verdict.PASS for check in checks if check.code != "counters"):
        return StageVerdict.ONLY_COUNTERS_DIFFER
    if Verdict.NOT_CHECKED in results or not checks:
        return StageVerdict.INCOMPLETE
    return StageVerdict.PASS


def spans_of_kinds(layout: Layout, *kinds: RegionKind) -> tuple[Span, ...]:
    """The spans of every region of these kinds."""
    return tuple(region.span for region in layout.regions_of(*kinds))


def tell_by_region(spans: Sequence[Span], layout: Layout | None) -> str:
    """Where the spans lie, in words: ``4 bytes in 'counters' (state)``."""
    if layout is None:
        shown = ", ".join(format_span(span) for span in spans[:4])
        rest = "" if len(spans) <= 4 else f" and {len(spans) - 4} more places"
        return f"{_bytes(spans)} at {shown}{rest}"
    parts = []
    for region in layout.regions:
        inside = intersect_spans(spans, [region.span])
        if inside:
            parts.append(f"{_bytes(inside)} in '{region.name}' ({region.kind})")
    outside = subtract_spans(spans, (region.span for region in layout.regions))
    if outside:
        parts.append(f"{_bytes(outside)} outside the layout's regions")
    return ", ".join(parts)


def _bytes(spans: Sequence[Span]) -> str:
    number = count_addresses(spans)
    return "1 byte" if number == 1 else f"{number:,} bytes"


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
        return (not_checked("checksums", "Checksums are unknown.", reason),)
    if not layout.checksums:
        return (passed("checksums", "The layout names no checksum."),)
    return tuple(_check_one(image, layout, rule, donor) for rule in layout.checksums)


def _check_one(image: Image, layout: Layout, rule: ChecksumRule, donor: Image | None) -> Check:
    if donor is not None and image.covers(rule.stored):
        now = image.read(rule.stored)
        if rule.when_blanked is WhenBlanked.ERASE and now == bytes([layout.erased]) * len(now):
            return passed("checksum", f"Checksum '{rule.name}' is erased, as the layout orders.")
        if rule.when_blanked is WhenBlanked.KEEP and donor.covers(rule.stored):
            if now == donor.read(rule.stored):
                return passed("checksum", f"Checksum '{rule.name}' is kept, as the layout orders.")
            text = f"Checksum '{rule.name}' was to be kept and differs from the donor's."
            return failed("checksum", text, [rule.stored])
        if rule.when_blanked is WhenBlanked.REFERENCE and now != donor.read(rule.stored):
            text = f"Checksum '{rule.name}' was taken from the reference image."
            return passed("checksum", text)
    result = check_checksum(image, rule)
    values = f"stored {result.stored.hex()}, computed {result.computed.hex()}"
    match result.result:
        case Verdict.PASS:
            return passed("checksum", f"Checksum '{rule.name}' holds ({result.stored.hex()}).")
        case Verdict.FAIL:
            text = f"Checksum '{rule.name}' is wrong: {values}."
            return failed("checksum", text, [rule.stored])
        case _:
            text = f"Checksum '{rule.name}' could not be computed."
            return not_checked("checksum", text, result.reason or "unknown", [rule.stored])
