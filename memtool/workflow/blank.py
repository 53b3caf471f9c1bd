"""Blank the donor's identity: plan one memory or all of them, and ask the gate of each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from memtool.core.chip import find_chip
from memtool.core.health.all_checks import find_faults
from memtool.core.image import Image
from memtool.core.job.backup import BackupReceipt
from memtool.core.job.blanking import (
    BLANKED_KINDS,
    BlankPlan,
    PlanError,
    apply_blank,
    plan_blank,
    plan_blank_vin,
)
from memtool.core.job.edit import KeptSpan
from memtool.core.job.events.kinds import ReadsBackedUp
from memtool.core.job.gate import check_blank
from memtool.core.job.gate_question import GateQuestion
from memtool.core.job.leftovers import find_telling, find_traces
from memtool.core.job.noted_vins import list_vins
from memtool.core.job.proof import PassedOver, PreparedBlank
from memtool.core.layouts.layout import DecodedField, Layout
from memtool.core.layouts.region import FieldType
from memtool.core.records.values import decode_placed, read_values
from memtool.core.role import Role
from memtool.core.span import Span
from memtool.core.texts.identity_match import is_identity
from memtool.core.texts.known_identity import find_identity, find_vins
from memtool.core.texts.vin import is_well_formed
from memtool.errors import RefusalError
from memtool.formats.codec import ImageFormat, encode_image
from memtool.store.backups import BackupStore
from memtool.store.layouts import LoadedLayout
from memtool.store.reading import compute_sha256
from memtool.workflow.guards import list_job_vins, load_images
from memtool.workflow.jobs import OpenJob, load_backup
from memtool.workflow.loading import LoadedRead
from memtool.workflow.named_layouts import (
    find_chosen,
    find_described,
    find_named,
    remember_layout,
)
from memtool.workflow.nearby_checksums import find_nearby_checksums
from memtool.workflow.writing import is_left_over

SUFFIXES = {
    ImageFormat.RAW: ".bin",
    ImageFormat.INTEL_HEX: ".hex",
    ImageFormat.S_RECORD: ".s19",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class BlankRequest:
    """What the person asked for, of one memory."""

    loaded: LoadedRead
    opened: OpenJob | None
    memory: str | None = None
    """The job's memory that the image is of; None: told by the image itself."""
    layout: LoadedLayout | None
    vins: tuple[str, ...] = ()
    configuration: bool = False
    more: tuple[Span, ...] = ()
    keep: tuple[KeptSpan, ...] = ()
    out: Path | None = None
    """None: a numbered file inside the job's folder."""
    format: ImageFormat | None = None
    """None: the format of the input."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """A request with its plan and what the rules say of it; nothing is written yet."""

    request: BlankRequest
    result: PreparedBlank


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedAll:
    """The memories that are blanked together, under one confirmation."""

    parts: tuple[Prepared, ...]
    """At least one."""
    passed_over: tuple[PassedOver, ...]

    @property
    def results(self) -> tuple[PreparedBlank, ...]:
        """What was planned and judged, memory by memory."""
        return tuple(part.result for part in self.parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Draft:
    """One memory with its plan, before any rule is asked."""

    request: BlankRequest
    reads: ReadsBackedUp | None
    receipt: BackupReceipt | None
    reference: Image | None
    plan: BlankPlan | None
    blanked: Image | None
    identities: tuple[str, ...]

    @property
    def image(self) -> Image:
        return self.request.loaded.image

    @property
    def layout(self) -> Layout | None:
        return self.request.layout.layout if self.request.layout else None


def prepare_blank(
    requests: Sequence[BlankRequest], store: BackupStore, *, now: datetime
) -> PreparedAll:
    """Plan the blanking, verify the backups, and ask every rule of each memory.

    Writes no image. A layout that the job has not seen yet is added to its journal first:
    what it guards or bans holds from now on, whatever becomes of this run. Of several
    memories those in which there is nothing to blank are passed over; an identity that goes
    from one of them is looked for in all.

    Args:
        requests: At least one; those of several memories are of one job.
        store: Holds the donor's backups.
        now: Time of the journal's entry.

    Raises:
        RefusalError: no plan can be made.
        StoreError: a backup is lost or damaged.
    """
    opened = requests[0].opened
    for request in requests:
        if opened is not None and request.layout is not None:
            reads = _donor_reads(opened, request)
            opened = remember_layout(
                opened,
                request.layout,
                reads.memory if reads else None,
                now,
                image=request.loaded.image,
            )
    several = len(requests) > 1
    if several:
        _require_held(requests)
    drafts = [_draft(replace(each, opened=opened), store, several=several) for each in requests]
    going = tuple(dict.fromkeys(text for draft in drafts for text in draft.identities))
    passed = {
        index: reason
        for index, draft in enumerate(drafts)
        if several and (reason := _why_passed_over(draft, going))
    }
    if len(passed) == len(drafts):
        passed = {}
    left = [draft for index, draft in enumerate(drafts) if index not in passed]
    together = tuple(draft.plan for draft in left if draft.plan is not None)
    return PreparedAll(
        parts=tuple(_judge(draft, going, together, store) for draft in left),
        passed_over=tuple(
            PassedOver(memory=_name_of(drafts[index]) or "", reason=reason)
            for index, reason in passed.items()
        ),
    )


def _draft(request: BlankRequest, store: BackupStore, *, several: bool) -> _Draft:
    image = request.loaded.image
    if several and request.vins:
        # Each memory loses the VINs that it holds.
        held = tuple(vin for vin in request.vins if _holds(image, vin))
        request = replace(request, vins=held)
    reads = _donor_reads(request.opened, request)
    receipt = store.require_receipt(reads.backup) if reads else None
    reference = _reference(request, store, reads)
    layout = request.layout.layout if request.layout else None
    plan = _plan(request, image, layout, reference)
    blanked = None
    if plan is not None and receipt is not None and receipt.image_sha256 == image.sha256():
        blanked = apply_blank(image, plan, receipt)
    return _Draft(
        request=request,
        reads=reads,
        receipt=receipt,
        reference=reference,
        plan=plan,
        blanked=blanked,
        identities=_identities(image, layout, request),
    )


def _require_held(requests: Sequence[BlankRequest]) -> None:
    """A VIN that was named lies in one of the memories at least."""
    for vin in dict.fromkeys(vin for request in requests for vin in request.vins):
        if not any(_holds(request.loaded.image, vin) for request in requests):
            raise RefusalError(
                f"{vin} is in none of the memories in any stored form",
                code="no-plan",
                next_step="see 'benchimage inspect'",
            )


def _holds(image: Image, vin: str) -> bool:
    return any(match.part == "whole" for match in find_identity(image, vin))


def _why_passed_over(draft: _Draft, going: tuple[str, ...]) -> str | None:
    """Why one memory of several is not planned; None: it has something to blank.

    A memory that holds a trace of an identity that goes is never passed over.
    """
    if draft.plan is not None and draft.plan.edits:
        return None
    if find_vins(draft.image) or find_telling(find_traces(draft.image, going)):
        return None
    if draft.plan is not None:
        return "everything that its layout blanks is already blank"
    return "no layout describes it, and no trace of an identity was found in it"


def _judge(
    draft: _Draft, going: tuple[str, ...], together: tuple[BlankPlan, ...], store: BackupStore
) -> Prepared:
    question = GateQuestion(
        image=draft.image,
        job=None,
        reads=draft.reads,
        receipt=draft.receipt,
        layout=draft.layout,
        vins=draft.request.vins,
        plan=draft.plan,
        blanked=draft.blanked,
        identities=going,
        reference=draft.reference,
        health=find_faults(
            draft.image,
            chip=find_chip(draft.reads.chip) if draft.reads else None,
            layout=draft.layout,
        ),
        out_exists=_is_taken(draft.request, draft.blanked),
        confirmation=None,
        together=together,
    )
    if draft.request.opened is not None:
        question = in_job(question, draft.request.opened, store)
    if draft.layout is None and draft.plan is not None:
        nearby = find_nearby_checksums(
            draft.image,
            draft.plan.spans,
            opened=draft.request.opened,
            memory=draft.reads.memory if draft.reads else None,
            store=store,
        )
        question = replace(question, nearby=nearby)
    result = PreparedBlank(
        memory=_name_of(draft),
        question=question,
        checks=check_blank(question),
        matches=find_traces(draft.blanked, going) if draft.blanked else (),
    )
    return Prepared(request=draft.request, result=result)


def _name_of(draft: _Draft) -> str | None:
    return None if draft.reads is None else draft.reads.memory or draft.reads.chip


def in_job(question: GateQuestion, opened: OpenJob, store: BackupStore) -> GateQuestion:
    """The question with everything that the job, as it stands now, says to it."""
    memory = question.reads.memory if question.reads else None
    images = load_images(opened, store)
    originals = [
        image
        for backup in opened.job.backups_of(Role.ORIGINAL, memory)
        for image in images[backup.number]
    ]
    return replace(
        question,
        job=opened.job,
        named=find_named(opened),
        chosen=find_chosen(opened, question.image),
        described=find_described(opened, memory),
        known=list_job_vins(opened.job, images.values()),
        originals=tuple(dict.fromkeys(originals)),
    )


def _is_taken(request: BlankRequest, blanked: Image | None) -> bool:
    """Whether the output exists, and is not what this very command left when it was cut off."""
    out = request.out
    if out is None or not (out.exists() or out.is_symlink()):
        return False
    if request.opened is None or blanked is None:
        return True
    reads = _donor_reads(request.opened, request)
    order = request.opened.job.reader_order(reads.memory if reads else None)
    data = encode_image(blanked, request.format or request.loaded.format, order=order)
    return not is_left_over(request.opened, out, compute_sha256(data))


def _donor_reads(opened: OpenJob | None, request: BlankRequest) -> ReadsBackedUp | None:
    """The job's newest donor backup that holds this image; else any backup that does."""
    if opened is None:
        return None
    digest = request.loaded.image.sha256()
    same = [backup for backup in opened.job.backups if backup.sha256 == digest]
    meant = [backup for backup in same if request.memory in (None, backup.memory)] or same
    donors = [backup for backup in meant if backup.role is Role.DONOR]
    found = donors or meant
    return found[-1] if found else None


def _reference(
    request: BlankRequest, store: BackupStore, reads: ReadsBackedUp | None
) -> Image | None:
    if request.opened is None:
        return None
    backup = request.opened.job.newest_backup(Role.REFERENCE, reads.memory if reads else None)
    return load_backup(store, backup)[1].image if backup else None


def _plan(
    request: BlankRequest, image: Image, layout: Layout | None, reference: Image | None
) -> BlankPlan | None:
    try:
        if layout is not None:
            return plan_blank(
                image,
                layout,
                configuration=request.configuration,
                more=request.more,
                keep=request.keep,
                reference=reference,
            )
        if request.vins:
            return plan_blank_vin(image, *request.vins, keep=request.keep)
    except PlanError as error:
        raise RefusalError(
            str(error), code="no-plan", next_step="see 'benchimage inspect'"
        ) from error
    return None


def _fields(layout: Layout, image: Image) -> Iterator[DecodedField]:
    """Those of the layout, and of its record stores the old ones as well."""
    yield from decode_placed(layout, image)
    for value in read_values(layout, image):
        if value.field is not None and not value.is_newest:
            yield value.field


def _identities(image: Image, layout: Layout | None, request: BlankRequest) -> tuple[str, ...]:
    """The VINs that go: those of the layout's fields, and every one found elsewhere."""
    texts = list(request.vins)
    if layout is not None:
        texts += [
            str(field.value)
            for field in _fields(layout, image)
            if field.kind in BLANKED_KINDS
            and field.type is FieldType.VIN
            and field.value is not None
            and is_well_formed(str(field.value))
        ]
        texts += list_vins(image, None if request.opened is None else request.opened.job)
    return tuple(dict.fromkeys(text for text in texts if is_identity(text)))
