"""Plan and make a blanked image. Making a plan changes nothing.

The plan is a list of edits, each with the bytes that go, the bytes that come and the
reason; whatever is not in it stays as it is, byte for byte. Only blank values, values
of a reference image, and checksums are ever put in: the tool writes no VIN.

Blank values are the bytes as they lie in memory: `stored_as` says how to read a field and
is not applied to them. A field in which foreign bytes lie between the text's own
(``every-2``, ``split``, packed characters) loses only the bits of the text.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from memtool.core.backup import BackupReceipt
from memtool.core.checksums.checksum import (
    ChecksumRule,
    WhenBlanked,
    apply_checksum,
    check_checksum,
    refresh_order,
)
from memtool.core.finding import Verdict
from memtool.core.identity.known_identity import find_identity, plan_erase
from memtool.core.image import Image, find_changes
from memtool.core.job import KeptSpan
from memtool.core.layouts.fields import compute_text_mask
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import Region, RegionKind, compute_blank_bytes
from memtool.core.span import Span, spans_of_addresses
from memtool.errors import RefusalError

BLANKED_KINDS = (RegionKind.VEHICLE_IDENTITY, RegionKind.STATE)
"""What a blanking takes out of the donor, where the layout does not say otherwise."""
UNTOUCHED_KINDS = (RegionKind.PROTECTED, RegionKind.MODULE_IDENTITY)
"""What no plan may touch."""


class Reason(NamedTuple):
    """Why a byte changes."""

    text: str
    kind: RegionKind


class PlanError(ValueError):
    """No plan can be made: the layout asks for something that is not there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Edit:
    """One run of bytes to change."""

    span: Span
    old: bytes
    new: bytes
    """As many bytes as `span` has addresses."""
    reason: str
    """What lies there and why it changes, in words."""
    kind: RegionKind
    """Of the region that it lies in; ``checksum`` for a checksum's own field."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BlankPlan:
    """What will be changed in one image."""

    image_sha256: str
    """Digest of the image that the plan was made for; the plan fits no other."""
    edits: tuple[Edit, ...]
    """Sorted, disjoint, inside the image; every one changes every byte it holds."""
    asked: tuple[Span, ...]
    """What was to be blanked, whether or not it was blank already."""
    kept: tuple[KeptSpan, ...]
    """What a person chose to keep."""
    unproven_checksums: tuple[str, ...]
    """Checksums to be refreshed that do not hold in the image as it is."""

    @property
    def spans(self) -> tuple[Span, ...]:
        """The addresses that the plan changes: sorted, disjoint."""
        return spans_of_addresses(
            address for edit in self.edits for address in range(edit.span.start, edit.span.end)
        )


def plan_blank(
    image: Image,
    layout: Layout,
    *,
    configuration: bool = False,
    more: Sequence[Span] = (),
    keep: Sequence[KeptSpan] = (),
    reference: Image | None = None,
) -> BlankPlan:
    """Plan to blank what `layout` calls vehicle identity and state, and its checksums.

    Args:
        image: The donor's image.
        layout: Its blank values and checksum orders are followed.
        configuration: Blank the configuration regions as well.
        more: Further spans, blanked to the layout's erased byte.
        keep: Spans that stay as they are, with a reason each.
        reference: Image of a never-configured module, where the layout takes bytes from it.

    Raises:
        PlanError: a span is not defined in the image, or the layout takes bytes from a
            reference image that is missing or too short.
    """
    kinds = (*BLANKED_KINDS, RegionKind.CONFIGURATION) if configuration else BLANKED_KINDS
    kept = tuple(keep)
    target: dict[int, tuple[int, Reason]] = {}
    asked: list[Span] = []
    for region in layout.regions:
        if region.kind in kinds:
            asked.append(region.span)
            edits = _blank_bytes(image, layout, region, reference)
            _put(target, edits, Reason(region.name, region.kind))
    for span in more:
        asked.append(span)
        _require_defined(image, span)
        edits = [(span.start, bytes([layout.erased]) * len(span))]
        _put(target, edits, Reason("span asked for", RegionKind.UNUSED))
    _drop(target, kept)
    return _with_checksums(image, layout.checksums, target, asked, kept, layout, reference)


def plan_blank_vin(
    image: Image, vin: str, *, erased: int = 0xFF, keep: Sequence[KeptSpan] = ()
) -> BlankPlan:
    """Plan to blank exactly the found copies of one VIN, without a layout.

    Checksums are unknown and stay as they are.

    Raises:
        PlanError: the VIN is not in the image in any form.
    """
    matches = [match for match in find_identity(image, vin) if match.part == "whole"]
    if not matches:
        raise PlanError(f"{vin} is not in the image in any stored form")
    target: dict[int, tuple[int, Reason]] = {}
    for match in matches:
        reason = Reason(f"VIN stored as {match.stored_as}", RegionKind.VEHICLE_IDENTITY)
        _put(target, plan_erase(image, match, erased), reason)
    kept = tuple(keep)
    _drop(target, kept)
    return _with_checksums(image, (), target, [match.span for match in matches], kept, None, None)


def apply_blank(image: Image, plan: BlankPlan, receipt: BackupReceipt) -> Image:
    """Return a copy of `image` with the plan's edits.

    Raises:
        RefusalError: plan or backup belongs to another image; nothing is made.
    """
    digest = image.sha256()
    if receipt.image_sha256 != digest:
        raise RefusalError("the backup holds another image", code="donor-backup")
    if plan.image_sha256 != digest:
        raise RefusalError("the plan was made for another image", code="plan-fits")
    return image.with_bytes((edit.span.start, edit.new) for edit in plan.edits)


def _blank_bytes(
    image: Image, layout: Layout, region: Region, reference: Image | None
) -> list[tuple[int, bytes]]:
    """What comes into a region, only where the region's own text lies."""
    _require_defined(image, region.span, region.name)
    new = compute_blank_bytes(region, erased=layout.erased)
    if new is None:
        new = _from_reference(reference, region.span, region.name)
    old = image.read(region.span)
    mask = compute_text_mask(region, len(old))
    mixed = bytes(n & m | o & ~m & 0xFF for o, n, m in zip(old, new, mask, strict=True))
    return [(region.span.start, mixed)]


def _from_reference(reference: Image | None, span: Span, name: str) -> bytes:
    if reference is None:
        raise PlanError(f"the layout takes '{name}' from a reference image, and there is none")
    if not reference.covers(span):
        raise PlanError(f"the reference image does not hold '{name}' at {span}")
    return reference.read(span)


def _require_defined(image: Image, span: Span, name: str = "the span") -> None:
    if not image.covers(span):
        raise PlanError(f"{name} at {span} is not wholly inside the image")


def _put(
    target: dict[int, tuple[int, Reason]], edits: Sequence[tuple[int, bytes]], reason: Reason
) -> None:
    for address, data in edits:
        for offset, value in enumerate(data):
            target[address + offset] = (value, reason)


def _drop(target: dict[int, tuple[int, Reason]], kept: Sequence[KeptSpan]) -> None:
    for keep in kept:
        for address in [address for address in target if address in keep.span]:
            del target[address]


def _with_checksums(
    image: Image,
    rules: Sequence[ChecksumRule],
    target: dict[int, tuple[int, Reason]],
    asked: Sequence[Span],
    kept: tuple[KeptSpan, ...],
    layout: Layout | None,
    reference: Image | None,
) -> BlankPlan:
    """Add what the checksums need, innermost first, and make the list of edits."""
    after = image.with_bytes((address, bytes([value])) for address, (value, _) in target.items())
    reasons = {address: reason for address, (_, reason) in target.items()}
    unproven: list[str] = []
    for rule in refresh_order(rules):
        if rule.when_blanked is WhenBlanked.KEEP or not _is_affected(image, after, rule):
            continue
        if any(keep.span.overlaps(rule.stored) for keep in kept):
            continue
        _require_defined(image, rule.stored, rule.name)
        match rule.when_blanked:
            case WhenBlanked.ERASE:
                fill = layout.erased if layout else 0xFF
                after = after.with_bytes([(rule.stored.start, bytes([fill]) * len(rule.stored))])
            case WhenBlanked.REFERENCE:
                new = _from_reference(reference, rule.stored, rule.name)
                after = after.with_bytes([(rule.stored.start, new)])
            case _:  # Refresh; those to keep are left out above.
                if check_checksum(image, rule).result is not Verdict.PASS:
                    unproven.append(rule.name)
                after = apply_checksum(after, rule)
        word = {"refresh": "refreshed", "erase": "erased", "reference": "from the reference"}
        for address in range(rule.stored.start, rule.stored.end):
            text = f"checksum '{rule.name}' {word[rule.when_blanked.value]}"
            reasons[address] = Reason(text, RegionKind.CHECKSUM)
    return BlankPlan(
        image_sha256=image.sha256(),
        edits=_edits(image, after, reasons),
        asked=tuple(sorted(asked)),
        kept=kept,
        unproven_checksums=tuple(unproven),
    )


def _is_affected(before: Image, after: Image, rule: ChecksumRule) -> bool:
    """Whether any byte that the rule reads has changed."""
    return any(before.read(span) != after.read(span) for span in rule.covers if before.covers(span))


def _edits(before: Image, after: Image, reasons: dict[int, Reason]) -> tuple[Edit, ...]:
    """Runs of changed bytes, split where the reason changes."""
    edits: list[Edit] = []
    for run in find_changes(before, after):
        start = run.start
        for address in range(run.start + 1, run.end + 1):
            if address < run.end and reasons.get(address) == reasons.get(start):
                continue
            span = Span(start, address)
            edits.append(
                Edit(
                    span=span,
                    old=before.read(span),
                    new=after.read(span),
                    reason=reasons[start].text,
                    kind=reasons[start].kind,
                )
            )
            start = address
    return tuple(edits)


def edits_to_facts(plan: BlankPlan) -> list[dict[str, Any]]:
    """The plan's edits in the shape that `docs/schema/` publishes."""
    return [
        {
            "start": edit.span.start,
            "end": edit.span.end,
            "old": edit.old.hex(),
            "new": edit.new.hex(),
            "reason": edit.reason,
        }
        for edit in plan.edits
    ]


def kept_to_facts(plan: BlankPlan) -> list[dict[str, Any]]:
    """The plan's kept spans in the shape that `docs/schema/` publishes."""
    return [
        {"start": kept.span.start, "end": kept.span.end, "reason": kept.reason}
        for kept in plan.kept
    ]
