"""Collects the facts of a job for its customer file; see `memtool.core.report.report`.

Journal and images come in from above. What an image cannot show is said with the reason.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from memtool.core.checksums.checksum import ChecksumRule, check_checksum
from memtool.core.health.agreement import compare_reads
from memtool.core.image import Image
from memtool.core.job.edit import Edit, Edits
from memtool.core.job.events.kinds import FileAttached, ImageBlanked, ReadsBackedUp
from memtool.core.job.job import Job
from memtool.core.job.memory import tell_reader_order
from memtool.core.job.noted_vins import list_vins
from memtool.core.job.parts import is_transferred
from memtool.core.job.setup_list import SetupItem, find_protected, find_setup
from memtool.core.job.stage import Stage
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import RegionKind
from memtool.core.memory_map import (
    MapPlan,
    compute_map,
    compute_marks,
    plan_map,
)
from memtool.core.records.placing import place_in_all
from memtool.core.report.changed_runs import ChangedRun, find_changed_runs
from memtool.core.report.customer_page import (
    compare_serials,
    judge_outcome,
    tell_statements,
    tell_story,
)
from memtool.core.report.customer_points import tell_points
from memtool.core.report.masking import BULLET, Masker
from memtool.core.report.photo import check_picture
from memtool.core.report.procedure import find_writing
from memtool.core.report.report import (
    ChecksumValue,
    ImagePlace,
    Report,
    ReportAttachment,
    ReportChange,
    ReportChecksum,
    ReportChip,
    ReportEntry,
    ReportImage,
    ReportModule,
    ShopProfile,
)
from memtool.core.report.report_proof import (
    find_counting,
    find_stages,
    list_open_points,
    list_proof,
    newest_backups,
    tell_change,
    tell_identity_now,
    tell_result,
)
from memtool.core.role import Role
from memtool.core.runs import find_changes
from memtool.core.span import Span, count_addresses, union_spans
from memtool.core.texts.identity_match import is_identity
from memtool.core.texts.known_identity import find_identity

MAP_COLUMNS = 32
MOST_MAP_ROWS = 16
_HIDDEN_KINDS = frozenset({RegionKind.VEHICLE_IDENTITY, RegionKind.CHECKSUM})
"""Old bytes of these can tell the VIN that went."""
_BRIDGED = 16
"""Bytes between two edits that blanking left as they were."""
_COMPARED = {
    ImagePlace.DONOR: ImagePlace.ORIGINAL,
    ImagePlace.TO_WRITE: ImagePlace.DONOR,
    ImagePlace.READ_BACK: ImagePlace.TO_WRITE,
    ImagePlace.FINISHED: ImagePlace.TO_WRITE,
}
_LAYOUT_GONE = "The job's copy of its layout is lost or changed: no region is shown."


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
    memory: str
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
    files: Mapping[int, Sequence[str]]
    """SHA-256 of the files of each entry, by its number."""
    images: Sequence[JobImage]
    layouts: Mapping[str, Layout]
    """By memory."""
    attached: Mapping[int, bytes | str]
    """By entry: the file's bytes, or why they are not there."""
    shop: ShopProfile | None = None
    """Whose record it is, where the shop has said so."""


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
        telling_values={edit.old.hex() for edit in _checksum_edits(job.blankings)},
        active=not is_shop_copy,
    )
    stages = find_stages(job)
    proof = list_proof(job, stages)
    open_points = list_open_points(job, stages)
    return Report(
        job=mask.text(sources.name),
        as_of=sources.journal[-1].time,
        is_shop_copy=is_shop_copy,
        shop=sources.shop,
        outcome=judge_outcome(job, stages, open_points),
        result=tell_result(job, stages),
        story=mask.whole(tell_story(job, stages)),
        statements=tell_statements(job, stages),
        serials=mask.whole(compare_serials(job, _images_by_memory(sources), sources.layouts)),
        facts=mask.whole(job.order),
        order=mask.whole(tuple(sources.order_rows)),
        vehicle_vin=job.order.vehicle_vin,
        identity_now=mask.text(tell_identity_now(job, stages)),
        original_unreadable=mask.optional(job.original_unreadable),
        modules=tuple(_module(job, backup, sources.files, mask) for backup in newest_backups(job)),
        chips=tuple(
            _chip(job, memory, sources, mask, is_shop_copy=is_shop_copy) for memory in job.memories
        ),
        changes=tuple(_change(job, blanking, mask) for blanking in find_counting(job)),
        stages=mask.whole(tuple(stages)),
        proof=mask.whole(tuple(proof)),
        open_points=mask.whole(tuple(open_points)),
        customer_points=mask.whole(tell_points(job, stages)),
        notes=mask.whole(job.notes),
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


def _images_by_memory(sources: ReportSources) -> dict[str, dict[ImagePlace, Image]]:
    found: dict[str, dict[ImagePlace, Image]] = {}
    for item in sources.images:
        if item.image is not None:
            found.setdefault(item.memory, {})[item.place] = item.image
    return found


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
            found.update(list_vins(item.image, job))
    return tuple(sorted(found - {job.order.vehicle_vin}))


_AS_READ = (ImagePlace.ORIGINAL, ImagePlace.DONOR, ImagePlace.REFERENCE)


def _module(
    job: Job, backup: ReadsBackedUp, files: Mapping[int, Sequence[str]], mask: Masker
) -> ReportModule:
    parts = {Role.ORIGINAL: job.order.original_part, Role.DONOR: job.order.donor_part}
    source = job.order.donor_source if backup.role is Role.DONOR else None
    recorded = files.get(backup.number, ())
    digests = recorded if len(recorded) == len(backup.names) else [None] * len(backup.names)
    module = ReportModule(
        backup=backup,
        part=parts.get(backup.role),
        source=source,
        files=tuple(zip(backup.names, digests, strict=True)),
    )
    return mask.whole(module)


def _chip(
    job: Job, memory: str, sources: ReportSources, mask: Masker, *, is_shop_copy: bool
) -> ReportChip:
    known = sources.layouts.get(memory)
    items = sorted(
        (item for item in sources.images if item.memory == memory),
        key=lambda item: list(ImagePlace).index(item.place),
    )
    by_place = {item.place: item.image for item in items if item.image is not None}
    spans = [span for image in by_place.values() for span in image.spans]
    layout = place_in_all(known, tuple(by_place.values()))
    plan = plan_map(spans, columns=MAP_COLUMNS, most_rows=MOST_MAP_ROWS)
    chosen, said = job.layout_of(memory), job.order_set(memory)
    return ReportChip(
        chip=job.label_of(memory),
        layout=mask.text(chosen.name) if chosen else None,
        reader_order=tell_reader_order(said) if said else None,
        layout_problem=_LAYOUT_GONE if chosen and layout is None else None,
        images=tuple(_image(item, by_place, plan, layout, job) for item in items),
        checksums=_checksums(job, memory, by_place, layout, mask),
        setup=mask.whole(_setup(job, memory, by_place, known)),
        procedure=mask.whole(
            find_writing(
                job,
                memory,
                known,
                donor=by_place.get(ImagePlace.DONOR),
                blanked=by_place.get(ImagePlace.TO_WRITE),
                finished=by_place.get(ImagePlace.FINISHED),
                original=by_place.get(ImagePlace.ORIGINAL),
                with_bytes=is_shop_copy,
            )
        ),
        runs=_runs(job, memory, by_place, layout) if is_shop_copy else (),
    )


def _runs(
    job: Job, memory: str, by_place: Mapping[ImagePlace, Image], layout: Layout | None
) -> tuple[ChangedRun, ...]:
    """What changed after writing and was left to a person."""
    finished = by_place.get(ImagePlace.FINISHED)
    before = by_place.get(ImagePlace.TO_WRITE) or by_place.get(ImagePlace.DONOR)
    check = job.latest_check(Stage.AFTER_SETUP, memory)
    if finished is None or before is None or check is None:
        return ()
    protected = find_protected(job.named_layouts, memory)
    if layout is not None:
        protected = (*protected, *(each.span for each in layout.regions_of(RegionKind.PROTECTED)))
    return find_changed_runs(before, finished, check.checks, layout, protected)


def _setup(
    job: Job, memory: str, by_place: Mapping[ImagePlace, Image], layout: Layout | None
) -> tuple[SetupItem, ...]:
    """What the procedure had to set: the original against what the module held before it."""
    original = by_place.get(ImagePlace.ORIGINAL)
    module = by_place.get(ImagePlace.TO_WRITE) or by_place.get(ImagePlace.DONOR)
    if original is None or module is None or is_transferred(job, memory):
        return ()
    return find_setup(
        original,
        module,
        layout,
        finished=by_place.get(ImagePlace.FINISHED),
        not_read=job.not_read(memory),
        hidden=find_protected(job.named_layouts, memory),
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
            agreement=None,
            differing_places=0,
            agree=None,
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
        agreement=compute_marks(plan, agreement.spans) if agreement and agreement.spans else None,
        differing_places=len(agreement.spans) if agreement else 0,
        agree=agreement.agree if agreement else None,
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
        for edit in blanking.edits.of_kinds(RegionKind.VEHICLE_IDENTITY)
    )


def _checksums(
    job: Job,
    memory: str,
    by_place: Mapping[ImagePlace, Image],
    layout: Layout | None,
    mask: Masker,
) -> tuple[ReportChecksum, ...]:
    if layout is None:
        return ()
    told = _telling_spans(job, memory)
    return tuple(
        ReportChecksum(
            rule=mask.whole(rule),
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


def _telling_spans(job: Job, memory: str) -> tuple[Span, ...]:
    """Checksums that a blanking changed: the donor's own value was made from its VIN."""
    return tuple(edit.span for edit in _checksum_edits(job.blankings_of(memory)))


def _checksum_edits(blankings: Iterable[ImageBlanked]) -> Iterator[Edit]:
    for blanking in blankings:
        yield from blanking.edits.of_kinds(RegionKind.CHECKSUM)


def _change(job: Job, blanking: ImageBlanked, mask: Masker) -> ReportChange:
    sizes = [backup.size for backup in job.backups if backup.sha256 == blanking.donor_sha256]
    hidden = _hidden_spans(blanking, mask)
    change = ReportChange(
        blanking=replace(blanking, edits=blanking.edits.hiding(hidden)),
        chip=job.label_of(blanking.memory or ""),
        summary=tell_change(blanking, sizes[-1] if sizes else None),
        hidden=hidden,
    )
    return mask.whole(change)


def _hidden_spans(blanking: ImageBlanked, mask: Masker) -> tuple[Span, ...]:
    """Old bytes that would tell the identity that went."""
    if not mask.active:
        return ()
    spans = [edit.span for edit in blanking.edits.of_kinds(*_HIDDEN_KINDS)]
    gone = _content_that_went(blanking.edits)
    for identity in mask.identities:
        for match in find_identity(gone, identity):
            spans += match.pieces
    return union_spans(spans)


def _content_that_went(edits: Edits) -> Image:
    """What the edits took away; a large region with a gap at each byte that needed no change is
    one piece again, and so is a text in every second byte of erased ones.
    """
    pieces: list[tuple[int, bytes]] = []
    last_end, last_new = 0, b""
    for start, end, old, new in edits.pieces():
        gap = start - last_end
        # What needed no change was already what is written around it.
        if 0 < gap <= _BRIDGED and last_new[-1:] == new[:1]:
            pieces.append((last_end, gap * new[:1]))
        pieces.append((start, old))
        last_end, last_new = end, new
    return Image.from_pieces(pieces)


def _attachment(
    item: FileAttached, attached: Mapping[int, bytes | str], mask: Masker
) -> ReportAttachment:
    content = attached.get(item.number, "its copy was not loaded")
    found = content if isinstance(content, str) else check_picture(content)
    shown = not isinstance(found, str) and isinstance(content, bytes)
    return ReportAttachment(
        file=mask.whole(item),
        picture=None if isinstance(found, str) else found,
        data=content if shown and isinstance(content, bytes) else None,
        reason=found if isinstance(found, str) else None,
    )
