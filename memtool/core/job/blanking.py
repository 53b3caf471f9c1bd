"""Plan and make a blanked image. Making a plan changes nothing.

The plan is a list of edits, each with the bytes that go, the bytes that come and the
reason; whatever is not in it stays as it is, byte for byte. Only blank values, values
of a reference image, and checksums are ever put in: the tool writes no VIN.

Blank values are the bytes as they lie in memory: `stored_as` says how to read a field and
is not applied to them. A field in which foreign bytes lie between the text's own
(``every-2``, ``split``, packed characters) loses only the bits of the text.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import islice
from struct import iter_unpack, pack
from typing import Any, NamedTuple

from memtool.core.checksums.checksum import (
    ChecksumRule,
    WhenBlanked,
    apply_checksum,
    check_checksum,
    refresh_order,
)
from memtool.core.finding import Verdict
from memtool.core.image import Image
from memtool.core.job.backup import BackupReceipt
from memtool.core.job.edit import Edits, KeptSpan, Reason
from memtool.core.job.reasons import Reasons
from memtool.core.layouts.fields import compute_text_mask
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import BlankSource, Region, RegionKind, compute_blank_bytes
from memtool.core.records.placing import NoReferenceRecordError, place_records
from memtool.core.span import Span, intersect_spans, subtract_spans
from memtool.core.texts.known_identity import find_identity, plan_erase
from memtool.errors import RefusalError

BLANKED_KINDS = (RegionKind.VEHICLE_IDENTITY, RegionKind.STATE)
"""What a blanking takes out of the donor, where the layout does not say otherwise."""


class _Write(NamedTuple):
    """Bytes that are to come, unless a later one lies over them."""

    address: int
    data: bytes
    reason: Reason


class PlanError(ValueError):
    """No plan can be made: the layout asks for something that is not there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BlankPlan:
    """What will be changed in one image."""

    image_sha256: str
    """Digest of the image that the plan was made for; the plan fits no other."""
    edits: Edits
    """Inside the image; every one changes every byte it holds."""
    asked: tuple[Span, ...]
    """What was to be blanked, whether or not it was blank already."""
    kept: tuple[KeptSpan, ...]
    """What a person chose to keep."""
    unproven_checksums: tuple[str, ...]
    """Checksums to be refreshed that do not hold in the image as it is."""
    takes_reference: bool = False
    """Whether bytes come from a reference image."""

    @property
    def spans(self) -> tuple[Span, ...]:
        """The addresses that the plan changes: sorted, disjoint."""
        return self.edits.spans

    def sha256(self) -> str:
        """The digest of what it changes in which image, as 64 lower-case hex digits."""
        digest = hashlib.sha256(self.image_sha256.encode("ascii"))
        edges = self.edits.edges
        # Start and end say how many bytes follow, so no two plans run into the same bytes.
        heads = iter_unpack("16s", pack(f">{len(edges)}Q", *edges))
        pieces = self.edits.new_pieces()
        parts = (
            part for (head,), (_, new) in zip(heads, pieces, strict=True) for part in (head, new)
        )
        digest.update(b"".join(parts))
        return digest.hexdigest()


def digest_of_plans(plans: Sequence[BlankPlan]) -> str:
    """The digest of one plan, or of those of several memories together, in their order."""
    digests = [plan.sha256() for plan in plans]
    if len(digests) == 1:
        return digests[0]
    return hashlib.sha256("".join(digests).encode("ascii")).hexdigest()


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
        layout: Its blank values and checksum orders are followed. In a store of records a
            key's value is blanked in every record of that key, old ones too.
        configuration: Blank the configuration regions as well.
        more: Further spans, blanked to the layout's erased byte.
        keep: Spans that stay as they are, with a reason each.
        reference: Image of a never-configured module, where the layout takes bytes from it.

    Raises:
        PlanError: a span is not defined in the image, or the layout takes bytes from a
            reference image that is missing or too short.
    """
    kinds = (*BLANKED_KINDS, RegionKind.CONFIGURATION) if configuration else BLANKED_KINDS
    takes_reference = _takes_reference(layout, kinds)
    try:
        # From here on every record of a described key is a region with an address, old records too.
        layout = place_records(layout, image, reference=reference, touching=more)
    except NoReferenceRecordError as error:
        raise PlanError(str(error)) from error
    kept = tuple(keep)
    target: list[_Write] = []
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
    plan = _with_checksums(image, layout.checksums, target, asked, kept, layout, reference)
    return replace(plan, takes_reference=takes_reference)


def _takes_reference(layout: Layout, kinds: Sequence[RegionKind]) -> bool:
    """Whether the layout may take bytes from a reference image in such a blanking."""
    in_records = (each.region for rules in layout.records for each in rules.regions)
    return any(
        region.kind in kinds and region.blank_to is BlankSource.REFERENCE
        for region in (*layout.regions, *in_records)
    ) or any(rule.when_blanked is WhenBlanked.REFERENCE for rule in layout.checksums)


def plan_blank_vin(
    image: Image, *vins: str, erased: int = 0xFF, keep: Sequence[KeptSpan] = ()
) -> BlankPlan:
    """Plan to blank exactly the found copies of these VINs, without a layout.

    Checksums are unknown and stay as they are.

    Raises:
        PlanError: one of the VINs is not in the image in any form.
    """
    matches = []
    for vin in vins:
        whole = [match for match in find_identity(image, vin) if match.part == "whole"]
        if not whole:
            raise PlanError(f"{vin} is not in the image in any stored form")
        matches += whole
    target: list[_Write] = []
    for match in matches:
        reason = Reason(f"VIN stored as {match.stored_as}", RegionKind.VEHICLE_IDENTITY)
        _put(target, plan_erase(image, match, erased), reason)
    kept = tuple(keep)
    return _with_checksums(image, (), target, [match.span for match in matches], kept, None, None)


def apply_blank(image: Image, plan: BlankPlan, receipt: BackupReceipt) -> Image:
    """Return a copy of `image` with the plan's edits.

    Raises:
        RefusalError: plan or backup belongs to another image; nothing is made.
    """
    digest = image.sha256()
    if receipt.image_sha256 != digest:
        raise RefusalError("the backup holds a different image", code="donor-backup")
    if plan.image_sha256 != digest:
        raise RefusalError("the plan was made for another image", code="plan-fits")
    return image.with_bytes(plan.edits.new_pieces())


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
    if mask.count(0xFF) == len(mask):
        return [(region.span.start, new)]
    # New where the mask has ones, old elsewhere; `& 0xFF`, since ~m is negative in Python.
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


def _put(target: list[_Write], edits: Sequence[tuple[int, bytes]], reason: Reason) -> None:
    target += [_Write(address, data, reason) for address, data in edits if data]


def _with_checksums(
    image: Image,
    rules: Sequence[ChecksumRule],
    target: Sequence[_Write],
    asked: Sequence[Span],
    kept: tuple[KeptSpan, ...],
    layout: Layout | None,
    reference: Image | None,
) -> BlankPlan:
    """Add what the checksums need, innermost first, and make the list of edits."""
    spared = intersect_spans(image.spans, (keep.span for keep in kept))
    after = image.with_bytes(
        (
            *((write.address, write.data) for write in target),
            # Later pieces lie over earlier ones: what is kept gets its old bytes back.
            *((span.start, image.read(span)) for span in spared),
        )
    )
    reasons = Reasons(image)
    for write in target:
        reasons.put(Span(write.address, write.address + len(write.data)), write.reason)
    unproven: list[str] = []
    # Inner fields first: an outer checksum covers them and must see their new bytes.
    for rule in refresh_order(rules):
        if rule.when_blanked is WhenBlanked.KEEP or not _is_affected(image, after, rule):
            continue
        # A person keeps the field itself, and answers for it.
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
                # Asked of the old image: a rule that is wrong there is not understood, and the gate
                # refuses.
                if check_checksum(image, rule).result is not Verdict.PASS:
                    unproven.append(rule.name)
                after = apply_checksum(after, rule)
        word = {"refresh": "refreshed", "erase": "erased", "reference": "from the reference"}
        text = f"checksum '{rule.name}' {word[rule.when_blanked.value]}"
        reasons.put(rule.stored, Reason(text, RegionKind.CHECKSUM))
    return BlankPlan(
        image_sha256=image.sha256(),
        edits=reasons.find_edits(after),
        asked=tuple(sorted(asked)),
        kept=kept,
        unproven_checksums=tuple(unproven),
    )


def _is_affected(before: Image, after: Image, rule: ChecksumRule) -> bool:
    """Whether any byte that the rule reads has changed."""
    return any(before.read(span) != after.read(span) for span in rule.covers if before.covers(span))


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownEdit:
    """A run of changed bytes as people may see it."""

    span: Span
    old: bytes | None
    """None: a protected region lies there, whose bytes are never shown."""
    new: bytes | None
    reason: str


def show_edits(
    plan: BlankPlan, protected: Sequence[Span] = (), *, most: int | None = None
) -> tuple[ShownEdit, ...]:
    """The plan's edits, those in `protected` spans by address and count alone.

    Args:
        plan: What will be changed.
        protected: Spans whose bytes are never shown.
        most: So many of the first edits; None: all.
    """
    shown = []
    for edit in islice(plan.edits, most):
        hidden = intersect_spans([edit.span], protected) if protected else ()
        # Hidden and shown parts together make up the edit, by address.
        parts = sorted((*hidden, *subtract_spans([edit.span], hidden))) if hidden else [edit.span]
        for span in parts:
            part = slice(span.start - edit.span.start, span.end - edit.span.start)
            is_hidden = span in hidden
            shown.append(
                ShownEdit(
                    span=span,
                    old=None if is_hidden else edit.old[part],
                    new=None if is_hidden else edit.new[part],
                    reason=edit.reason,
                )
            )
    return tuple(shown)


def edits_to_facts(plan: BlankPlan, protected: Sequence[Span] = ()) -> list[dict[str, Any]]:
    """The plan's edits in the shape that `docs/schema/` publishes."""
    return [
        {
            "start": edit.span.start,
            "end": edit.span.end,
            "old": None if edit.old is None else edit.old.hex(),
            "new": None if edit.new is None else edit.new.hex(),
            "reason": edit.reason,
        }
        for edit in show_edits(plan, protected)
    ]


def kept_to_facts(plan: BlankPlan) -> list[dict[str, Any]]:
    """The plan's kept spans in the shape that `docs/schema/` publishes."""
    return [
        {"start": kept.span.start, "end": kept.span.end, "reason": kept.reason}
        for kept in plan.kept
    ]
