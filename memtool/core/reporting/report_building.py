"""Collects the facts of a job for its customer file; see `memtool.core.reporting.report`.

Journal and images come in from above. What an image cannot show is said with the reason.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from memtool.core.backup import Role
from memtool.core.checksums.checksum import ChecksumRule, check_checksum
from memtool.core.finding import Check
from memtool.core.identity.identity_match import is_identity
from memtool.core.identity.known_identity import find_identity, find_vins
from memtool.core.image import Image, find_changes
from memtool.core.job import Attachment, Blanking, Job, KeptReads, RecordedEdit
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import RegionKind
from memtool.core.reads.agreement import compare_reads
from memtool.core.reporting.masking import BULLET, Masker
from memtool.core.reporting.memory_map import (
    MapPlan,
    compute_entropy,
    compute_map,
    compute_marks,
    plan_map,
)
from memtool.core.reporting.photo import check_picture
from memtool.core.reporting.report import (
    ChecksumValue,
    ImagePlace,
    Report,
    ReportAttachment,
    ReportChange,
    ReportChecksum,
    ReportChip,
    ReportEdit,
    ReportEntry,
    ReportFile,
    ReportImage,
    ReportModule,
    ReportStage,
)
from memtool.core.reporting.report_proof import (
    find_stages,
    list_chips,
    list_open_points,
    list_proof,
    newest_reads,
    tell_change,
    tell_identity_now,
    tell_result,
)
from memtool.core.span import Span, count_addresses, subtract_spans

MAP_COLUMNS = 32
MOST_MAP_ROWS = 16
STRIP_CELLS = 128
_HIDDEN_KINDS = frozenset({RegionKind.VEHICLE_IDENTITY, RegionKind.CHECKSUM})
"""Old bytes of these can tell the VIN that went."""
_COMPARED = {
    ImagePlace.DONOR: ImagePlace.ORIGINAL,
    ImagePlace.TO_WRITE: ImagePlace.DONOR,
    ImagePlace.READ_BACK: ImagePlace.TO_WRITE,
    ImagePlace.FINISHED: ImagePlace.TO_WRITE,
}
_LAYOUT_GONE = "The job's copy of its layout is lost or changed: no region is shown."
_VALUE = re.compile(r"\((?P<only>[0-9a-f]{2,16})\)|(?<=stored )(?P<stored>[0-9a-f]{2,16})")


class ChainedEntry(Protocol):
    """One line of the journal."""

    @property
    def number(self) -> int: ...
    @property
    def time(self) -> str: ...
    @property
    def sha256(self) -> str: ...
    @property
    def previous(self) -> str: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class JobImage:
    """One image that the job speaks of, loaded where it could be."""

    place: ImagePlace
    chip: str
    entry: int
    """Journal entry that speaks of it."""
    sha256: str | None
    reads: tuple[Image, ...]
    """All reads of it, the one that counts first; empty where it could not be loaded."""
    missing: str | None
    """Why it could not be loaded, a clause without full stop."""

    @property
    def image(self) -> Image | None:
        """The read that counts."""
        return self.reads[0] if self.reads else None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportSources:
    """All that the report is made from."""

    name: str
    """Of the job's folder."""
    order_rows: Sequence[tuple[str, str]]
    """The order in words."""
    journal: Sequence[ChainedEntry]
    journal_texts: Sequence[str]
    """What each entry says, in words."""
    journal_sha256: str
    """Of the journal's lines that `journal` has."""
    files: Mapping[int, Sequence[ReportFile]]
    """The files of each entry, by its number."""
    images: Sequence[JobImage]
    layouts: Mapping[str, Layout]
    """By chip."""
    attached: Mapping[int, bytes | str]
    """By entry: the file's bytes, or why they are not there."""


def build_report(job: Job, sources: ReportSources, *, is_shop_copy: bool) -> Report:
    """Collect the facts of a job for its customer file.

    Args:
        job: As the journal says, without reports written at its end.
        sources: Journal, images and attached files.
        is_shop_copy: Show the VIN that went in full.
    """
    mask = Masker(
        find_foreign_identities(job, sources.images),
        vehicle_vin=job.order.vehicle_vin,
        active=not is_shop_copy,
    )
    stages = find_stages(job)
    proof = list_proof(job, stages)
    return Report(
        job=mask.text(sources.name),
        as_of=sources.journal[-1].time,
        is_shop_copy=is_shop_copy,
        result=tell_result(job, stages),
        order=tuple((label, mask.text(value)) for label, value in sources.order_rows),
        module_kind=job.order.module_kind,
        vehicle_vin=job.order.vehicle_vin,
        identity_now=mask.text(tell_identity_now(job, stages)),
        original_unreadable=mask.optional(job.original_unreadable),
        modules=tuple(_module(job, kept, sources.files, mask) for kept in newest_reads(job)),
        chips=tuple(_chip(job, chip, sources, mask) for chip in list_chips(job)),
        changes=tuple(_change(job, blanking, mask) for blanking in job.blankings),
        stages=tuple(_masked_stage(job, stage, mask) for stage in stages),
        proof=tuple(replace(line, text=mask.text(line.text)) for line in proof),
        open_points=tuple(mask.text(text) for text in list_open_points(job, stages)),
        notes=tuple((note.time, mask.text(note.text)) for note in job.notes),
        attachments=tuple(_attachment(item, sources.attached, mask) for item in job.attachments),
        journal=tuple(
            ReportEntry(
                number=entry.number,
                time=entry.time,
                text=mask.text(text),
                sha256=entry.sha256,
                previous=entry.previous,
            )
            for entry, text in zip(sources.journal, sources.journal_texts, strict=True)
        ),
        journal_sha256=sources.journal_sha256,
    )


def find_foreign_identities(job: Job, images: Iterable[JobImage]) -> tuple[str, ...]:
    """Every VIN of the job that is not the vehicle's: taken out, found in a read, reported.

    A blank module may report filler, and a broken one anything: that is nobody's identity.
    """
    found = {text for blanking in job.blankings for text in blanking.identities}
    found |= {vin for check in job.stage_checks for vin in check.reported_vins if is_identity(vin)}
    seen: set[Image] = set()
    for item in images:
        if item.image is not None and item.place in _AS_READ and item.image not in seen:
            seen.add(item.image)
            found |= {vin.text for vin in find_vins(item.image)}
    return tuple(sorted(found - {job.order.vehicle_vin}))


_AS_READ = (ImagePlace.ORIGINAL, ImagePlace.DONOR, ImagePlace.REFERENCE)


def _module(
    job: Job, kept: KeptReads, files: Mapping[int, Sequence[ReportFile]], mask: Masker
) -> ReportModule:
    parts = {Role.ORIGINAL: job.order.original_part, Role.DONOR: job.order.donor_part}
    source = job.order.donor_source if kept.role is Role.DONOR else None
    recorded = [file.sha256 for file in files.get(kept.number, ())]
    digests = recorded if len(recorded) == len(kept.names) else [None] * len(kept.names)
    return ReportModule(
        entry=kept.number,
        role=kept.role,
        part=mask.optional(parts.get(kept.role)),
        source=mask.optional(source),
        chip=kept.chip,
        size=kept.size,
        reads=kept.reads,
        agree=kept.agree,
        single_read_reason=mask.optional(kept.single_read_reason),
        reseated=kept.reseated,
        sha256=kept.sha256,
        backup=kept.backup,
        files=tuple(
            ReportFile(name=mask.text(name), sha256=digest)
            for name, digest in zip(kept.names, digests, strict=True)
        ),
        findings=tuple(mask.text(text) for text in kept.findings),
    )


def _chip(job: Job, chip: str, sources: ReportSources, mask: Masker) -> ReportChip:
    layout = sources.layouts.get(chip)
    items = sorted(
        (item for item in sources.images if item.chip == chip),
        key=lambda item: list(ImagePlace).index(item.place),
    )
    by_place = {item.place: item.image for item in items if item.image is not None}
    spans = [span for image in by_place.values() for span in image.spans]
    plan = plan_map(spans, columns=MAP_COLUMNS, most_rows=MOST_MAP_ROWS)
    chosen = job.layout_of(chip)
    return ReportChip(
        chip=chip,
        layout=mask.text(chosen.name) if chosen else None,
        layout_problem=_LAYOUT_GONE if chosen and layout is None else None,
        images=tuple(_image(item, by_place, plan, layout, job) for item in items),
        checksums=_checksums(job, chip, by_place, layout, mask),
    )


def _image(
    item: JobImage,
    by_place: Mapping[ImagePlace, Image],
    plan: MapPlan,
    layout: Layout | None,
    job: Job,
) -> ReportImage:
    image = item.image
    if image is None:
        return ReportImage(
            place=item.place,
            entry=item.entry,
            sha256=item.sha256,
            size=None,
            reads=0,
            missing=item.missing or "not loaded",
            map=None,
            information=None,
            agreement=None,
            agree=None,
            difference=None,
            compared_with=None,
            differing_bytes=None,
        )
    other = _COMPARED.get(item.place)
    before = by_place.get(other) if other else None
    changes = find_changes(before, image) if before else ()
    agreement = compare_reads(item.reads) if len(item.reads) > 1 else None
    return ReportImage(
        place=item.place,
        entry=item.entry,
        sha256=image.sha256(),
        size=image.size,
        reads=len(item.reads),
        missing=None,
        map=compute_map(image, plan, layout=layout, vins=_known_places(job, item), marked=changes),
        information=compute_entropy(image, cells=STRIP_CELLS),
        agreement=compute_marks(image, agreement.spans, cells=STRIP_CELLS) if agreement else None,
        agree=agreement.agree if agreement else None,
        difference=compute_marks(image, changes, cells=STRIP_CELLS) if before else None,
        compared_with=other if before else None,
        differing_bytes=count_addresses(changes) if before else None,
    )


def _known_places(job: Job, item: JobImage) -> tuple[Span, ...]:
    """Where an identity stands that the journal knows of; layouts tell the rest."""
    if item.place is not ImagePlace.DONOR:
        return ()
    return tuple(
        edit.span
        for blanking in job.blankings
        if blanking.donor_sha256 == item.sha256
        for edit in blanking.edits
        if edit.kind is RegionKind.VEHICLE_IDENTITY
    )


def _checksums(
    job: Job,
    chip: str,
    by_place: Mapping[ImagePlace, Image],
    layout: Layout | None,
    mask: Masker,
) -> tuple[ReportChecksum, ...]:
    if layout is None:
        return ()
    told = _telling_spans(job, chip)
    return tuple(
        ReportChecksum(
            name=mask.text(rule.name),
            algorithm=rule.algorithm,
            span=rule.stored,
            values=tuple(
                _checksum_value(
                    place,
                    image,
                    rule,
                    layout,
                    hidden=mask.active
                    and (
                        place is ImagePlace.DONOR
                        and any(span.overlaps(rule.stored) for span in told)
                    ),
                )
                for place, image in by_place.items()
            ),
        )
        for rule in layout.checksums
    )


def _checksum_value(
    place: ImagePlace, image: Image, rule: ChecksumRule, layout: Layout, *, hidden: bool
) -> ChecksumValue:
    result = check_checksum(image, rule)
    return ChecksumValue(
        place=place,
        stored=BULLET * 2 * len(result.stored) if hidden else result.stored.hex(),
        result=result.result,
        blank=bool(result.stored) and set(result.stored) == {layout.erased},
    )


def _telling_spans(job: Job, chip: str) -> tuple[Span, ...]:
    """Checksums that a blanking changed: the donor's own value was made from its VIN."""
    return tuple(
        edit.span
        for blanking in job.blankings
        if blanking.chip == chip
        for edit in blanking.edits
        if edit.kind is RegionKind.CHECKSUM
    )


def _change(job: Job, blanking: Blanking, mask: Masker) -> ReportChange:
    sizes = [kept.size for kept in job.reads if kept.sha256 == blanking.donor_sha256]
    hidden = _hidden_spans(blanking, mask)
    return ReportChange(
        number=blanking.number,
        time=blanking.time,
        chip=blanking.chip,
        out=mask.text(_last_part(blanking.out)),
        layout=mask.optional(blanking.layout),
        backup=blanking.backup,
        donor_sha256=blanking.donor_sha256,
        sha256=blanking.sha256,
        file_sha256=blanking.file_sha256,
        removed=tuple(mask.identity(vin) for vin in blanking.identities),
        summary=mask.text(tell_change(blanking, sizes[-1] if sizes else None)),
        edits=tuple(
            ReportEdit(
                span=edit.span,
                old=_masked_hex(edit, hidden),
                new=edit.new.hex(),
                reason=mask.text(edit.reason),
                kind=edit.kind,
            )
            for edit in blanking.edits
        ),
        kept=tuple((kept.span, mask.text(kept.reason)) for kept in blanking.kept),
        leftovers=tuple(mask.text(text) for text in blanking.leftovers),
        searched=blanking.searched,
        checks=tuple(_masked_check(job, check, mask) for check in blanking.checks),
    )


def _hidden_spans(blanking: Blanking, mask: Masker) -> tuple[Span, ...]:
    """Old bytes that would tell the identity that went."""
    if not mask.active:
        return ()
    spans = [edit.span for edit in blanking.edits if edit.kind in _HIDDEN_KINDS]
    changed = Image.from_pieces((edit.span.start, edit.old) for edit in blanking.edits)
    for identity in mask.identities:
        for match in find_identity(changed, identity):
            spans += match.pieces
    return tuple(spans)


def _masked_hex(edit: RecordedEdit, hidden: Sequence[Span]) -> str:
    shown = subtract_spans([edit.span], hidden)
    return "".join(
        f"{byte:02x}" if any(address in span for span in shown) else BULLET * 2
        for address, byte in enumerate(edit.old, edit.span.start)
    )


def _masked_stage(job: Job, item: ReportStage, mask: Masker) -> ReportStage:
    if item.done is None:
        return item
    done = replace(
        item.done,
        checks=tuple(_masked_check(job, check, mask) for check in item.done.checks),
        subject=mask.text(_last_part(item.done.subject)) if item.done.subject else None,
        codes=mask.optional(item.done.codes),
        reported_vins=tuple(mask.identity(vin) for vin in item.done.reported_vins),
    )
    return replace(item, done=done)


def _last_part(path: str) -> str:
    """A file's name: where it lies on the shop's machine is nobody else's business."""
    return re.split(r"[/\\]", path)[-1]


def _masked_check(job: Job, check: Check, mask: Masker) -> Check:
    text = mask.text(check.text)
    if mask.active and check.code == "checksum":
        old = {
            edit.old.hex()
            for blanking in job.blankings
            for edit in blanking.edits
            if edit.kind is RegionKind.CHECKSUM
        }
        text = _VALUE.sub(lambda match: _masked_value(match, old), text)
    return replace(check, text=text, reason=mask.optional(check.reason))


def _masked_value(match: re.Match[str], old: set[str]) -> str:
    value = match["only"] or match["stored"]
    return match.group().replace(value, BULLET * len(value)) if value in old else match.group()


def _attachment(
    item: Attachment, attached: Mapping[int, bytes | str], mask: Masker
) -> ReportAttachment:
    content = attached.get(item.number, "its copy was not loaded")
    found = content if isinstance(content, str) else check_picture(content)
    shown = not isinstance(found, str) and isinstance(content, bytes)
    return ReportAttachment(
        name=mask.text(item.name),
        sha256=item.sha256,
        caption=mask.optional(item.caption),
        picture=None if isinstance(found, str) else found,
        data=content if shown and isinstance(content, bytes) else None,
        reason=found if isinstance(found, str) else None,
    )
