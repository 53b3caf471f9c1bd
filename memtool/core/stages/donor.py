"""Stage `donor`: is the used module a fit replacement? Facts for a person's decision."""

from __future__ import annotations

import re

from memtool.core.chip import is_same_chip
from memtool.core.finding import Check, Finding
from memtool.core.identity.known_identity import find_vins
from memtool.core.identity.vin import mask_vin
from memtool.core.image import Image, find_changes
from memtool.core.job import KeptReads, Order
from memtool.core.layouts.layout import Layout, decode_fields
from memtool.core.layouts.region import RegionKind
from memtool.core.span import intersect_spans
from memtool.core.stages.answers import (
    check_layout_checksums,
    failed,
    judge_health,
    not_checked,
    passed,
    spans_of_kinds,
    tell_by_region,
)

_A_PERSON = "a person decides this, with the maker's parts information"
_NO_ORIGINAL = "there is no read of the original to compare with"
_NO_LAYOUT = "no layout says what lies where"


def check_donor(
    *,
    order: Order,
    donor: Image,
    donor_reads: KeptReads,
    donor_health: tuple[Finding, ...],
    original: Image | None,
    original_reads: KeptReads | None,
    layout: Layout | None,
) -> tuple[Check, ...]:
    """Compare the donor with the original and with the order.

    Args:
        order: Its part numbers are compared.
        donor: Image of the used module's chip.
        donor_reads: The job's record of its backup.
        donor_health: Findings about its read.
        original: Image of the failed module's chip; None where it cannot be read.
        original_reads: The job's record of its backup.
        layout: None: regions and checksums are not checked, and said so.
    """
    return (
        _reads("donor", donor_reads),
        *([_reads("original", original_reads)] if original_reads else []),
        judge_health(donor_health, "donor's read"),
        _same_memory(donor, donor_reads, original, original_reads),
        _part_numbers(order),
        _module_identity(donor, original, layout),
        *(
            _region_content(kind, donor, original, layout)
            for kind in (RegionKind.CODE, RegionKind.CALIBRATION, RegionKind.CONFIGURATION)
        ),
        *check_layout_checksums(donor, layout),
        _donor_vins(donor, order),
        *([_original_vins(original, order)] if original else []),
    )


def _reads(role: str, reads: KeptReads) -> Check:
    if reads.agree:
        return passed("reads", f"{reads.reads} reads of the {role} agree.")
    if reads.agree is None:
        text = f"There is a single read of the {role}."
        reason = reads.single_read_reason or "nothing to compare it with"
        return not_checked("reads", text, reason)
    return failed("reads", f"The reads of the {role} differ from each other.")


def _same_memory(
    donor: Image,
    donor_reads: KeptReads,
    original: Image | None,
    original_reads: KeptReads | None,
) -> Check:
    code, text = "same-memory", "Chip and size are compared with the original's."
    if original is None or original_reads is None:
        return not_checked(code, text, _NO_ORIGINAL)
    if not is_same_chip(donor_reads.chip, original_reads.chip):
        return failed(
            code, f"The donor has a {donor_reads.chip}, the original a {original_reads.chip}."
        )
    if donor.spans != original.spans:
        return failed(
            code, f"The donor holds {donor.size:,} bytes, the original {original.size:,}."
        )
    return passed(code, f"Both have a {donor_reads.chip} with {donor.size:,} bytes.")


def _part_numbers(order: Order) -> Check:
    code, text = "part-number", "Part numbers are compared."
    ours, theirs = order.donor_part, order.original_part
    if not ours or not theirs:
        return not_checked(code, text, "the job does not record both part numbers")
    if ours.strip().upper() == theirs.strip().upper():
        return passed(code, f"Both carry part number {ours}.")
    if _without_revision(ours) == _without_revision(theirs):
        # Common practice, no source: suffixes mostly go up in succession, which proves nothing.
        text = f"Part numbers differ in the revision alone: original {theirs}, donor {ours}."
        return not_checked(code, text, "ask the maker's catalogue whether one replaces the other")
    return failed(code, f"Part numbers differ: original {theirs}, donor {ours}.")


def _without_revision(part: str) -> str:
    """The number without the letters at its end: ``DZ-4107-C`` and ``DZ-4107-D`` are one."""
    return re.sub(r"[\s./-]*[A-Z]{1,2}$", "", part.strip().upper())


def _module_identity(donor: Image, original: Image | None, layout: Layout | None) -> Check:
    code, text = "module-identity", "Serial, part and software numbers are compared."
    if layout is None:
        return not_checked(code, text, _NO_LAYOUT)
    if original is None:
        return not_checked(code, text, _NO_ORIGINAL)
    theirs = {field.name: field for field in decode_fields(layout, original)}
    differing = [
        field
        for field in decode_fields(layout, donor)
        if field.kind is RegionKind.MODULE_IDENTITY and field.value != theirs[field.name].value
    ]
    if not differing:
        return passed(code, "All module identity fields are equal.")
    told = "; ".join(
        f"{field.name}: original {theirs[field.name].value}, donor {field.value}"
        for field in differing
    )
    spans = [field.span for field in differing]
    return not_checked(code, f"Module identity differs. {told}.", _A_PERSON, spans)


def _region_content(
    kind: RegionKind, donor: Image, original: Image | None, layout: Layout | None
) -> Check:
    code, text = f"same-{kind.value}", f"The {kind.value} regions are compared."
    if layout is None:
        return not_checked(code, text, _NO_LAYOUT)
    if original is None:
        return not_checked(code, text, _NO_ORIGINAL)
    spans = spans_of_kinds(layout, kind)
    if not spans:
        return passed(code, f"The layout has no {kind.value} region.")
    changed = intersect_spans(find_changes(original, donor), spans)
    if not changed:
        return passed(code, f"The {kind.value} regions are equal.")
    where = tell_by_region(changed, layout)
    if kind is RegionKind.CONFIGURATION:
        # Expected between two vehicles: the maker's procedure writes it anew.
        return passed(code, f"The configuration differs, as it may: {where}.")
    return not_checked(code, f"The {kind.value} differs: {where}.", _A_PERSON, changed)


def _donor_vins(donor: Image, order: Order) -> Check:
    code = "donor-identity"
    found = find_vins(donor)
    if any(vin.text == order.vehicle_vin for vin in found):
        spans = [vin.span for vin in found if vin.text == order.vehicle_vin]
        return failed(code, "The donor already holds the vehicle's own VIN.", spans)
    texts = sorted({vin.text for vin in found})
    if not texts:
        return passed(code, "No VIN was found in the donor.")
    shown = ", ".join(mask_vin(text) for text in texts)
    return passed(code, f"The donor holds {len(found)} copies of another VIN: {shown}.")


def _original_vins(original: Image, order: Order) -> Check:
    code = "original-identity"
    found = find_vins(original)
    foreign = [vin for vin in found if vin.text != order.vehicle_vin]
    if foreign:
        text = "The original holds a VIN that is not the vehicle's: it was changed before, or"
        text += " this is not the module of this vehicle."
        return failed(code, text, [vin.span for vin in foreign])
    if not found:
        return not_checked(code, "No VIN was found in the original.", "nothing to compare")
    return passed(code, f"All {len(found)} VINs in the original are the vehicle's.")
