"""Stage `before-writing`: may this file go onto that module?

Two routes are usual. The blanked donor: the donor's own image without its vehicle
identity. And the transfer: the original's own image, unchanged, onto an equal module.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from memtool.core.chip import find_chip, is_same_chip
from memtool.core.finding import Check, Finding, Severity, Verdict
from memtool.core.image import Image
from memtool.core.job.backup import BackupReceipt
from memtool.core.job.bans import Ban
from memtool.core.job.events.kinds import ImageBlanked, ReadsBackedUp
from memtool.core.job.job import Job
from memtool.core.job.leftovers import CHANCE_LIMIT, find_telling, find_traces
from memtool.core.job.protection import UNTOUCHED_KINDS, Guarded, find_masked, spans_of_kind
from memtool.core.job.stages.answers import (
    check_layout_checksums,
    failed,
    judge_foreign_vins,
    judge_reads,
    not_checked,
    passed,
    split_counters,
    tell_by_region,
    undecided,
)
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import RegionKind
from memtool.core.records.placing import place_known
from memtool.core.runs import find_changes
from memtool.core.span import Span, intersect_spans, subtract_spans
from memtool.core.texts.known_identity import describe_search, find_vins
from memtool.core.texts.new_identity import find_new_identity
from memtool.core.texts.vin import mask_vin
from memtool.core.words import count_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Guards:
    """What the job as a whole says of one memory, beside its layout and its reads."""

    guarded: tuple[Guarded, ...] = ()
    """What is not to be touched, by any layout that the job ever named."""
    settled: tuple[Span, ...] = ()
    """Protected spans of which a person knows why they read as one value throughout."""
    known: tuple[str, ...] = ()
    """Every VIN of the job, a trace of which must not have come in."""
    bans: tuple[Ban, ...] = ()
    not_read: tuple[Span, ...] = ()
    """What the reader could not give: it is neither written nor judged."""


def check_blanked_file(
    *,
    file: Image,
    donor: Image,
    donor_reads: ReadsBackedUp,
    newest: ReadsBackedUp,
    receipt: BackupReceipt,
    blanking: ImageBlanked | None,
    target: Image | None,
    layout: Layout | None,
    guards: Guards,
) -> tuple[Check, ...]:
    """Judge a file to program that came out of `blank`.

    Args:
        file: The image to be written, as it lies on disk now.
        donor: The image of the donor's backup, parsed from the stored copy.
        donor_reads: The job's record of that backup.
        newest: The donor's newest backup, with all reads that count by now.
        receipt: Shows that the stored copy was verified in this run.
        blanking: The job's record of making `file`; None where there is none.
        target: A fresh read of the module, where it was powered since the backup.
        layout: None: checksums are not checked, and said so.
        guards: What the job as a whole says.
    """
    edited = blanking.edits.spans if blanking else ()
    # The blanked file has the donor's records at their places, with the donor's marks.
    layout = place_known(layout, donor)
    return (
        passed("route", "Route: the donor's own image with its old identity removed."),
        *([failed("module-kind", f"{_capital(guards.bans[0])}.")] if guards.bans else []),
        _backup(receipt, donor),
        _made_here(blanking),
        *_reads_since(newest, donor_reads, guards.not_read),
        _fits(file, donor, donor_reads),
        _only_planned(file, donor, edited, "the donor's backup"),
        *_target(file, target, (*edited, *guards.not_read), layout),
        *check_layout_checksums(
            file.without(guards.not_read), layout, donor=donor.without(guards.not_read)
        ),
        *_leftovers(file, blanking),
        _no_vin(file),
        _no_new_identity(file, donor, guards.known),
        _read_areas(donor, guards),
        *(_untouched(kind, file, donor, guards.guarded) for kind in UNTOUCHED_KINDS),
    )


def check_transfer(
    *,
    job: Job,
    file: Image,
    original_reads: ReadsBackedUp,
    original_health: tuple[Finding, ...],
    donor: Image | None,
    donor_reads: ReadsBackedUp | None,
    receipt: BackupReceipt | None,
    target: Image | None,
    layout: Layout | None,
    bans: tuple[Ban, ...] = (),
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
        bans: Who ever said that such a module is not to be touched.
    """
    layout = place_known(layout, file)
    route = "Route: the original's own image, unchanged, onto an equal module."
    carried = "Everything comes with it, including keys, immobiliser and odometer data."
    not_read = job.not_read(original_reads.memory)
    checks = [
        passed("route", route),
        undecided("carried-along", f"{carried} Is that lawful here?"),
        _transfer_kind(job, bans),
        _transfer_reads(original_reads, original_health, not_read),
    ]
    if donor is None or donor_reads is None or receipt is None:
        text = "The module that will be overwritten has no verified backup."
        checks.append(failed("backup", text))
    else:
        checks += [_backup(receipt, donor), _fits(file, donor, donor_reads)]
        if not is_same_chip(donor_reads.chip, original_reads.chip):
            text = f"The file is from a {original_reads.chip}, the module has a {donor_reads.chip}."
            checks.append(failed("same-chip", text))
        moved = () if target is None else find_changes(donor, target)
        if changed := subtract_spans(moved, not_read):
            text = f"The module has changed since its backup: {tell_by_region(changed, layout)}."
            checks.append(undecided("target", f"{text} Keep this read, too.", changed))
    return (*checks, *check_layout_checksums(file, layout), _vehicle_only(job, file))


def _backup(receipt: BackupReceipt, donor: Image) -> Check:
    if receipt.image_sha256 != donor.sha256():
        return failed("backup", "The backup of the module holds a different image.")
    return passed("backup", "The backup of the module was read back and hashed again just now.")


def _made_here(blanking: ImageBlanked | None) -> Check:
    if blanking is None:
        text = "The journal has no blanking that made exactly this file."
        return failed("made-here", text)
    return passed("made-here", f"Made by 'blank', journal entry {blanking.number}.")


def _reads_since(
    newest: ReadsBackedUp, used: ReadsBackedUp, not_read: Sequence[Span]
) -> tuple[Check, ...]:
    """What reads that were added after the file was made say of the image that it came from."""
    if newest.sitting != used.sitting:
        # The module had power between; a fresh read of it says how far it moved on.
        return ()
    if newest.voted is not None and newest.sha256 != used.sha256:
        text = "The majority of the donor's reads is not the image that the file was made from."
        return (failed("reads", text),)
    agreeing = judge_reads("donor", newest, not_read)
    return (agreeing,) if agreeing.result is Verdict.FAIL else ()


def _fits(file: Image, donor: Image, reads: ReadsBackedUp) -> Check:
    chip = find_chip(reads.chip)
    if file.spans != donor.spans:
        text = f"The file holds {file.size:,} bytes, the module's image {donor.size:,}; or they"
        return failed("fits", text + " lie at other addresses.", file.spans)
    if chip is not None and file.size != chip.size:
        text = f"The file holds {file.size:,} bytes, a {chip.name} {chip.size:,}."
        return undecided("fits", f"{text} It is only part of the chip, or of another chip.")
    return passed("fits", f"Addresses and size ({file.size:,} bytes) match the module.")


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
        text += (
            " This file would put the old values back; otherwise back up the fresh read and "
            "blank that."
        )
        return (undecided("counters", text, counters),)
    return (passed("target", "Only planned bytes differ from the fresh read of the module."),)


def _leftovers(file: Image, blanking: ImageBlanked | None) -> tuple[Check, ...]:
    code = "leftovers"
    if blanking is None or not blanking.identities:
        text = "Traces of the donor's identity were not searched for."
        return (not_checked(code, text, "no VIN was found, so there is nothing to search for"),)
    kept = [keep.span for keep in blanking.kept]
    return tuple(_leftovers_of(file, identity, kept) for identity in blanking.identities)


def _leftovers_of(file: Image, identity: str, kept: Sequence[Span]) -> Check:
    matches = find_traces(file, [identity])
    telling = find_telling(matches)
    left = [match.span for match in telling if not any(k.contains(match.span) for k in kept)]
    shown = mask_vin(identity)
    if left:
        return failed(
            "leftovers",
            f"Old VIN still found: {count_of(len(left), 'trace')} of {shown} in the file.",
            left,
        )
    if telling:
        spans = tuple(match.span for match in telling)
        text = f"Kept spans still hold {count_of(len(spans), 'trace')} of {shown}."
        return Check(code="leftovers", result=Verdict.DECIDE, text=text, spans=spans)
    short = count_of(len(matches), "short match", "short matches")
    by_chance = f" {short} may be coincidence." if matches else ""
    return passed("leftovers", f"No trace of {shown} is left ({describe_search()}).{by_chance}")


def _no_vin(file: Image) -> Check:
    found = find_vins(file)
    if found:
        texts = ", ".join(sorted({mask_vin(vin.text) for vin in found}))
        return failed("no-vin", f"A VIN is in the file: {texts}.", [vin.span for vin in found])
    return passed("no-vin", "No VIN of any vehicle is in the file.")


def _no_new_identity(file: Image, donor: Image, known: Sequence[str]) -> Check:
    new = find_new_identity(
        [donor], file, find_changes(donor, file), chance_limit=CHANCE_LIMIT, known=known
    )
    if new:
        texts = ", ".join(sorted({mask_vin(each.text) for each in new}))
        text = f"The file holds a VIN or a part of one that the donor does not hold: {texts}."
        return failed("no-new-identity", text, [each.span for each in new])
    return passed(
        "no-new-identity", "The file holds no trace of a VIN that the donor does not hold."
    )


def _read_areas(donor: Image, guards: Guards) -> Check:
    code = "read-areas"
    masked = find_masked(donor, guards.guarded, guards.settled)
    if masked:
        text = "A protected region of the donor holds one value throughout: the reader may have"
        text += " been locked out, and writing that value back would destroy what is there."
        return failed(code, text, [each.span for each in masked])
    if not spans_of_kind(guards.guarded, RegionKind.PROTECTED):
        text = "Whether your reader could read the protected regions was not checked."
        return not_checked(code, text, "no layout says where they are")
    return passed(code, "No protected region looks as if the reader was locked out.")


def _capital(ban: Ban) -> str:
    text = str(ban)
    return text[:1].upper() + text[1:]


def _untouched(kind: RegionKind, file: Image, donor: Image, guarded: Sequence[Guarded]) -> Check:
    code = f"{kind.value}-equal"
    spans = spans_of_kind(guarded, kind)
    if not spans:
        text = f"The {kind.value} regions were not compared."
        return not_checked(code, text, "no layout says where they are")
    changed = intersect_spans(find_changes(donor, file), spans)
    if changed:
        return failed(code, f"The {kind.value} regions differ from the donor's.", changed)
    return passed(code, f"The {kind.value} regions are the donor's, untouched.")


def _transfer_kind(job: Job, bans: Sequence[Ban]) -> Check:
    kind = job.order.module_kind
    if bans:
        text = f"{_capital(bans[0])}: the maker's procedure and licensed people only."
        return failed("module-kind", text)
    if kind is None:
        return not_checked("module-kind", "The kind of module is not known.", "it is not on record")
    return passed("module-kind", f"The module is a {kind} module.")


def _transfer_reads(
    reads: ReadsBackedUp, findings: tuple[Finding, ...], not_read: Sequence[Span]
) -> Check:
    bad = [finding for finding in findings if finding.severity is Severity.FAILURE]
    if bad:
        return failed("reads", bad[0].text, bad[0].spans)
    return judge_reads("original", reads, not_read)


def _vehicle_only(job: Job, file: Image) -> Check:
    vins = find_vins(file)
    text = "The file holds a VIN that is not the vehicle's."
    foreign = judge_foreign_vins("vehicle-vin", text, vins, job.order.vehicle_vin)
    if foreign is not None:
        return foreign
    if not vins:
        return not_checked("vehicle-vin", "No VIN was found in the file.", "nothing to compare")
    return passed("vehicle-vin", "Every VIN in the file is the vehicle's.")
