"""Stage `before-writing`: may this file go onto that module?

Two routes are usual. The blanked donor: the donor's own image without its vehicle
identity. And the transfer: the original's own image, unchanged, onto an equal module.
"""

from __future__ import annotations

from collections.abc import Sequence

from memtool.core.backup import BackupReceipt
from memtool.core.chip import find_chip, is_same_chip
from memtool.core.finding import Check, Finding, Severity
from memtool.core.identity.known_identity import (
    CHANCE_LIMIT,
    IdentityMatch,
    describe_search,
    find_identity,
    find_vins,
)
from memtool.core.identity.vin import mask_vin
from memtool.core.image import Image, find_changes
from memtool.core.job import NEVER_BLANKED, Blanking, Job, KeptReads
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import RegionKind
from memtool.core.span import Span, intersect_spans, subtract_spans
from memtool.core.stages.answers import (
    check_layout_checksums,
    failed,
    not_checked,
    passed,
    spans_of_kinds,
    split_counters,
    tell_by_region,
)


def check_blanked_file(
    *,
    file: Image,
    donor: Image,
    donor_reads: KeptReads,
    receipt: BackupReceipt,
    blanking: Blanking | None,
    target: Image | None,
    layout: Layout | None,
) -> tuple[Check, ...]:
    """Judge a file to write that came out of `blank`.

    Args:
        file: The image to be written, as it lies on disk now.
        donor: The image of the donor's backup, parsed from the stored copy.
        donor_reads: The job's record of that backup.
        receipt: Shows that the stored copy was verified in this run.
        blanking: The job's record of making `file`; None where there is none.
        target: A fresh read of the module, where it was powered since the backup.
        layout: None: regions and checksums are not checked, and said so.
    """
    edited = tuple(edit.span for edit in blanking.edits) if blanking else ()
    return (
        passed("route", "Route: the donor's own image with its vehicle identity blanked."),
        _backup(receipt, donor),
        _made_here(blanking),
        _fits(file, donor, donor_reads),
        _only_planned(file, donor, edited, "the donor's backup"),
        *_target(file, target, edited, layout),
        *check_layout_checksums(file, layout, donor=donor),
        *_leftovers(file, blanking),
        _no_vin(file, blanking),
        *(
            _untouched(kind, file, donor, layout)
            for kind in (RegionKind.PROTECTED, RegionKind.MODULE_IDENTITY)
        ),
    )


def check_transfer(
    *,
    job: Job,
    file: Image,
    original_reads: KeptReads,
    original_health: tuple[Finding, ...],
    donor: Image | None,
    donor_reads: KeptReads | None,
    receipt: BackupReceipt | None,
    target: Image | None,
    layout: Layout | None,
) -> tuple[Check, ...]:
    """Judge the original's own unchanged image that is to go onto an equal module.

    Args:
        job: Its module kind is looked at.
        file: Equal to the original's backup; the caller found that out.
        original_reads: The job's record of that backup.
        original_health: Findings about the original's read.
        donor: The donor's image, the last copy of what will be overwritten.
        donor_reads: The job's record of the donor's backup.
        receipt: Shows that the donor's stored copy was verified in this run.
        target: A fresh read of the module that will be overwritten.
        layout: None: checksums are not checked, and said so.
    """
    route = "Route: the original's own image, unchanged, onto an equal module."
    carried = "It carries everything along: keys, immobiliser and odometer data included."
    checks = [
        passed("route", route),
        not_checked("carried-along", carried, "whether that is lawful here, a person decides"),
        _transfer_kind(job),
        _transfer_reads(original_reads, original_health),
    ]
    if donor is None or donor_reads is None or receipt is None:
        text = "The module that will be overwritten has no verified backup."
        checks.append(failed("backup", text))
    else:
        checks += [_backup(receipt, donor), _fits(file, donor, donor_reads)]
        if not is_same_chip(donor_reads.chip, original_reads.chip):
            text = f"The file is from a {original_reads.chip}, the module has a {donor_reads.chip}."
            checks.append(failed("same-chip", text))
        if target is not None and (changed := find_changes(donor, target)):
            text = f"The module has changed since its backup: {tell_by_region(changed, layout)}."
            checks.append(not_checked("target", text, "keep this read too, then go on", changed))
    return (*checks, *check_layout_checksums(file, layout), _vehicle_only(job, file))


def _backup(receipt: BackupReceipt, donor: Image) -> Check:
    if receipt.image_sha256 != donor.sha256():
        return failed("backup", "The backup of the module holds another image.")
    return passed("backup", "The backup of the module was read back and hashed again just now.")


def _made_here(blanking: Blanking | None) -> Check:
    if blanking is None:
        text = "The journal knows no blanking that made exactly this file."
        return failed("made-here", text)
    return passed("made-here", f"Made by 'blank', journal entry {blanking.number}.")


def _fits(file: Image, donor: Image, reads: KeptReads) -> Check:
    chip = find_chip(reads.chip)
    if file.spans != donor.spans:
        text = f"The file holds {file.size:,} bytes, the module's image {donor.size:,}; or they"
        return failed("fits", text + " lie at other addresses.", file.spans)
    if chip is not None and file.size != chip.size:
        text = f"The file holds {file.size:,} bytes, a {chip.name} {chip.size:,}."
        return not_checked("fits", text, "it is only a part of the chip, or the chip is another")
    return passed("fits", f"Addresses and size ({file.size:,} bytes) are the module's.")


def _only_planned(file: Image, base: Image, edited: Sequence[Span], what: str) -> Check:
    outside = subtract_spans(find_changes(base, file), edited)
    if outside:
        text = f"Bytes outside the plan differ from {what}."
        return failed("only-planned", text, outside)
    return passed("only-planned", f"Only planned bytes differ from {what}.")


def _target(
    file: Image, target: Image | None, edited: Sequence[Span], layout: Layout | None
) -> tuple[Check, ...]:
    if target is None:
        return ()
    if target.spans != file.spans:
        return (failed("target", "The fresh read does not have the file's size."),)
    outside = subtract_spans(find_changes(target, file), edited)
    counters, rest = split_counters(outside, layout)
    if rest:
        text = f"The module has changed since its backup: {tell_by_region(rest, layout)}."
        return (failed("target", text, rest),)
    if counters:
        text = f"Counters moved since the backup: {tell_by_region(counters, layout)}."
        reason = "the file would put the old values back; back the fresh read up and blank that"
        return (not_checked("counters", text, reason, counters),)
    return (passed("target", "Only planned bytes differ from the fresh read of the module."),)


def _leftovers(file: Image, blanking: Blanking | None) -> tuple[Check, ...]:
    code = "leftovers"
    if blanking is None or not blanking.identities:
        text = "Traces of the donor's identity were not looked for."
        return (not_checked(code, text, "no identity that goes is on record"),)
    kept = [keep.span for keep in blanking.kept]
    checks = []
    for identity in blanking.identities:
        matches = [
            match
            for match in find_identity(file, identity)
            if not any(keep.contains(match.span) for keep in kept)
        ]
        checks.append(_leftovers_of(identity, matches))
    return tuple(checks)


def _leftovers_of(identity: str, matches: Sequence[IdentityMatch]) -> Check:
    likely = [match for match in matches if match.expected_by_chance < CHANCE_LIMIT]
    shown = mask_vin(identity)
    if likely:
        text = f"Traces of {shown} are still in the file: {len(likely)}."
        return failed("leftovers", text, [match.span for match in likely])
    by_chance = "" if not matches else f" {len(matches)} short matches are what chance explains."
    return passed("leftovers", f"No trace of {shown} is left ({describe_search()}).{by_chance}")


def _no_vin(file: Image, blanking: Blanking | None) -> Check:
    kept = [keep.span for keep in blanking.kept] if blanking else []
    found = [vin for vin in find_vins(file) if not any(k.contains(vin.span) for k in kept)]
    if found:
        texts = ", ".join(sorted({mask_vin(vin.text) for vin in found}))
        return failed("no-vin", f"A VIN is in the file: {texts}.", [vin.span for vin in found])
    return passed("no-vin", "No VIN of any vehicle is in the file.")


def _untouched(kind: RegionKind, file: Image, donor: Image, layout: Layout | None) -> Check:
    code = f"{kind.value}-equal"
    if layout is None:
        text = f"The {kind.value} regions are compared."
        return not_checked(code, text, "no layout says where they are")
    changed = intersect_spans(find_changes(donor, file), spans_of_kinds(layout, kind))
    if changed:
        return failed(code, f"The {kind.value} regions differ from the donor's.", changed)
    return passed(code, f"The {kind.value} regions are the donor's, untouched.")


def _transfer_kind(job: Job) -> Check:
    kind = job.order.module_kind
    if kind is None:
        return not_checked("module-kind", "The module's kind is unknown.", "not on record")
    if kind in NEVER_BLANKED:
        text = f"This is an {kind} module: the maker's procedure and licensed people only."
        return failed("module-kind", text)
    return passed("module-kind", f"The module is a {kind} module.")


def _transfer_reads(reads: KeptReads, findings: tuple[Finding, ...]) -> Check:
    bad = [finding for finding in findings if finding.severity is Severity.FAILURE]
    if bad:
        return failed("reads", bad[0].text, bad[0].spans)
    if reads.agree:
        return passed("reads", f"{reads.reads} reads of the original agree.")
    if reads.agree is None:
        reason = reads.single_read_reason or "nothing to compare it with"
        return not_checked("reads", "There is a single read of the original.", reason)
    return failed("reads", "The reads of the original differ from each other.")


def _vehicle_only(job: Job, file: Image) -> Check:
    vins = find_vins(file)
    foreign = [vin for vin in vins if vin.text != job.order.vehicle_vin]
    if foreign:
        text = "The file holds a VIN that is not the vehicle's."
        return failed("vehicle-vin", text, [vin.span for vin in foreign])
    if not vins:
        return not_checked("vehicle-vin", "No VIN was found in the file.", "nothing to compare")
    return passed("vehicle-vin", "Every VIN in the file is the vehicle's.")
