"""Stage `donor`: is the used module a fit replacement? Facts for a person's decision."""

from __future__ import annotations

import re
from collections.abc import Sequence

from memtool.core.chip import is_same_chip
from memtool.core.finding import Check, Finding
from memtool.core.image import Image
from memtool.core.job.donor_identity import DonorState, find_donor_identity
from memtool.core.job.events.kinds import ReadsBackedUp
from memtool.core.job.order import Order
from memtool.core.job.stages.answers import (
    check_layout_checksums,
    failed,
    find_differing,
    judge_foreign_vins,
    judge_health,
    judge_reads,
    not_checked,
    passed,
    undecided,
)
from memtool.core.job.stages.donor_unlaid import check_without_layout
from memtool.core.layouts.layout import DecodedField, Layout
from memtool.core.layouts.region import RegionKind
from memtool.core.records.placing import place_known
from memtool.core.records.values import decode_placed
from memtool.core.span import Span
from memtool.core.texts.known_identity import find_vins

_PARTS = "The maker's parts information says whether it fits."
_NO_ORIGINAL = "there is no read of the original to compare with"
_NO_LAYOUT = "no layout says what is where"


def check_donor(
    *,
    order: Order,
    donor: Image,
    donor_reads: ReadsBackedUp,
    donor_health: tuple[Finding, ...],
    original: Image | None,
    original_reads: ReadsBackedUp | None,
    layout: Layout | None,
    not_read: Sequence[Span] = (),
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
        not_read: What the reader could not give; there the reads may differ.
    """
    return (
        judge_reads("donor", donor_reads, not_read),
        *([judge_reads("original", original_reads, not_read)] if original_reads else []),
        judge_health(donor_health, "donor's read"),
        _same_memory(donor, donor_reads, original, original_reads),
        _part_numbers(order, donor, original, layout),
        _module_identity(donor, original, layout),
        *(
            check
            for kind in (RegionKind.CODE, RegionKind.CALIBRATION, RegionKind.CONFIGURATION)
            for check in _region_content(kind, donor, original, layout)
        ),
        *(check_without_layout(original, donor) if layout is None else ()),
        *check_layout_checksums(donor, place_known(layout, donor)),
        _donor_vins(donor, order, layout),
        *([check_original_identity(original, order)] if original else []),
    )


def _same_memory(
    donor: Image,
    donor_reads: ReadsBackedUp,
    original: Image | None,
    original_reads: ReadsBackedUp | None,
) -> Check:
    code, text = "same-memory", "Chip and size were not compared with the original's."
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


def _part_numbers(
    order: Order, donor: Image, original: Image | None, layout: Layout | None
) -> Check:
    code, text = "part-number", "Part numbers were not compared."
    ours, theirs = order.donor_part, order.original_part
    otherwise = [
        told
        for role, image, typed in (("donor", donor, ours), ("original", original, theirs))
        if (told := _read_otherwise(role, image, typed, layout)) is not None
    ]
    if otherwise:
        return undecided(code, f"{' '.join(otherwise)} Look at the label.")
    if not ours or not theirs:
        return not_checked(code, text, "the job has no record of both part numbers")
    if _plain(ours) == _plain(theirs):
        if original is not None and all(_holds_text(image, ours) for image in (donor, original)):
            return passed(code, f"Both memories hold part number {ours}, as entered.")
        return passed(code, f"Both have part number {ours}, as entered.")
    if _without_revision(ours) == _without_revision(theirs):
        # Common practice, no source: suffixes mostly go up in succession, which proves nothing.
        text = f"Part numbers differ only in the revision: original {theirs}, donor {ours}."
        return undecided(code, f"{text} The maker's catalogue says whether one replaces the other.")
    return failed(code, f"Part numbers differ, as entered: original {theirs}, donor {ours}.")


def _read_otherwise(
    role: str, image: Image | None, typed: str | None, layout: Layout | None
) -> str | None:
    """That a layout's field for the part number reads otherwise than what was typed."""
    if image is None or layout is None or not typed:
        return None
    for field in decode_placed(layout, image):
        if field.kind is not RegionKind.MODULE_IDENTITY or "part" not in field.name.casefold():
            continue
        if isinstance(field.value, str) and _plain(field.value) not in ("", _plain(typed)):
            read = field.value.strip()
            return f"The {role}'s memory holds part number {read}, but {typed.strip()} was entered."
    return None


def _plain(part: str) -> str:
    """A part number without what people write into it to read it better."""
    return re.sub(r"[\s./-]", "", part).upper()


def _holds_text(image: Image, part: str) -> bool:
    wanted = {part.strip().upper().encode("utf-8"), _plain(part).encode("utf-8")}
    return any(text in segment.data.upper() for segment in image.segments for text in wanted)


def _without_revision(part: str) -> str:
    """The number without the letters at its end: ``DZ-4107-C`` and ``DZ-4107-D`` are one."""
    return re.sub(r"[\s./-]*[A-Z]{1,2}$", "", part.strip().upper())


def _module_identity(donor: Image, original: Image | None, layout: Layout | None) -> Check:
    code, text = "module-identity", "Serial, part and software numbers were not compared."
    if layout is None:
        return not_checked(code, text, _NO_LAYOUT)
    if original is None:
        return not_checked(code, text, _NO_ORIGINAL)
    theirs = {field.name: field for field in decode_placed(layout, original)}
    differing = [
        field
        for field in decode_placed(layout, donor)
        if field.kind is RegionKind.MODULE_IDENTITY
        and (field.name not in theirs or field.value != theirs[field.name].value)
    ]
    if not differing:
        return passed(code, "All module identity fields are equal.")
    told = "; ".join(
        f"{field.name}: original {_value_of(theirs.get(field.name))}, donor {field.value}"
        for field in differing
    )
    spans = [field.span for field in differing]
    return undecided(code, f"The module's own identity differs: {told}.", spans)


def _value_of(field: DecodedField | None) -> str:
    return "none" if field is None else str(field.value)


def _region_content(
    kind: RegionKind, donor: Image, original: Image | None, layout: Layout | None
) -> tuple[Check, ...]:
    """How the regions of a kind differ; no answer where the layout has none to look at."""
    code, text = f"same-{kind.value}", f"The {kind.value} regions were not compared."
    if layout is None:
        return (not_checked(code, text, _NO_LAYOUT),)
    if original is None:
        return (not_checked(code, text, _NO_ORIGINAL),)
    differing = find_differing(kind, original, donor, layout)
    if differing is None:
        return ()
    where, spans = differing
    if not where:
        return (passed(code, f"The {kind.value} regions are equal."),)
    if kind is RegionKind.CONFIGURATION:
        # Expected between two vehicles: the maker's procedure writes it anew.
        return (passed(code, f"The configuration differs, which is expected: {where}."),)
    return (undecided(code, f"The {kind.value} differs: {where}. {_PARTS}", spans),)


_IDENTITY_RESULTS = {
    DonorState.VEHICLE: failed,
    DonorState.SEVERAL: undecided,
    DonorState.UNCLEAR: undecided,
}
"""Of what a donor's identity may be; the others are as they should be."""


def _donor_vins(donor: Image, order: Order, layout: Layout | None) -> Check:
    code = "donor-identity"
    found = find_donor_identity(donor, vehicle_vin=order.vehicle_vin, layout=layout)
    answer = _IDENTITY_RESULTS.get(found.state)
    if answer is None:
        return passed(code, found.sentence)
    return answer(code, found.sentence, found.spans)


def check_original_identity(original: Image, order: Order) -> Check:
    """Whether every VIN in the original is the vehicle's: is this its own module?"""
    code = "original-identity"
    found = find_vins(original)
    text = "The original holds a VIN that is not the vehicle's: it was changed before, or"
    text += " this is not the module of this vehicle."
    foreign = judge_foreign_vins(code, text, found, order.vehicle_vin)
    if foreign is not None:
        return foreign
    if not found:
        return not_checked(code, "No VIN was found in the original.", "nothing to compare")
    if len(found) == 1:
        return passed(code, "The VIN in the original is the vehicle's.")
    return passed(code, f"All {len(found)} VINs in the original are the vehicle's.")
