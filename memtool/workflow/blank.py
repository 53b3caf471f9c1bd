"""Blank the donor's identity: plan, ask the gate, write, read back, prove, record."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from memtool.core.backup import Role
from memtool.core.blanking import (
    BLANKED_KINDS,
    BlankPlan,
    PlanError,
    apply_blank,
    edits_to_facts,
    kept_to_facts,
    plan_blank,
    plan_blank_vin,
)
from memtool.core.chip import find_chip
from memtool.core.finding import Verdict
from memtool.core.gate import (
    BlankRequest,
    Clearance,
    check_blank,
    check_written,
    require_blank,
)
from memtool.core.health.all_checks import find_health
from memtool.core.identity.known_identity import (
    CHANCE_LIMIT,
    IdentityMatch,
    describe_search,
    find_identity,
    find_vins,
)
from memtool.core.identity.vin import is_well_formed
from memtool.core.image import Image
from memtool.core.job import KeptReads, KeptSpan, checks_to_facts
from memtool.core.layouts.layout import Layout, decode_fields
from memtool.core.layouts.region import FieldType
from memtool.core.proof import PreparedBlank, WrittenBlank, tell_match
from memtool.core.span import Span
from memtool.errors import RefusalError, StoreError
from memtool.formats.codec import ImageFormat, encode_image
from memtool.store.backups import BackupStore
from memtool.store.layout_files.layouts import LoadedLayout
from memtool.store.writing import write_new
from memtool.workflow.jobs import (
    FILES,
    OpenJob,
    free_path,
    load_kept,
    name_in_record,
    record,
    relative_to_job,
)
from memtool.workflow.loading import LoadedRead, ReadOptions, load_read
from memtool.workflow.start import keep_layout

SUFFIXES = {
    ImageFormat.RAW: ".bin",
    ImageFormat.INTEL_HEX: ".hex",
    ImageFormat.S_RECORD: ".s19",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class BlankOrder:
    """What the person asked for."""

    loaded: LoadedRead
    opened: OpenJob | None
    layout: LoadedLayout | None
    vin: str | None
    configuration: bool = False
    more: tuple[Span, ...] = ()
    keep: tuple[KeptSpan, ...] = ()
    out: Path | None = None
    """None: a numbered file inside the job's folder."""
    format: ImageFormat | None = None
    """None: the format of the input."""
    dry_run: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """An order with its plan and what the rules say of it; nothing is written yet."""

    order: BlankOrder
    result: PreparedBlank


def prepare_blank(order: BlankOrder, store: BackupStore) -> Prepared:
    """Plan the blanking, verify the backup, and ask every rule; writes nothing.

    Raises:
        RefusalError: no plan can be made.
        StoreError: the backup is lost or damaged.
    """
    image = order.loaded.image
    layout = order.layout.layout if order.layout else None
    reads = _donor_reads(order.opened, image)
    receipt = store.require_receipt(reads.backup) if reads else None
    plan = _plan(order, image, layout, _reference(order, store, reads))
    blanked = None
    if plan is not None and receipt is not None and receipt.image_sha256 == image.sha256():
        blanked = apply_blank(image, plan, receipt)
    identities = _identities(image, layout, order)
    matches = _traces(blanked, identities, order.keep) if blanked else ()
    request = BlankRequest(
        image=image,
        job=order.opened.job if order.opened else None,
        reads=reads,
        receipt=receipt,
        layout=layout,
        vin=order.vin,
        plan=plan,
        blanked=blanked,
        identities=identities,
        leftovers=tuple(m for m in matches if m.expected_by_chance < CHANCE_LIMIT),
        health=find_health(image, chip=find_chip(reads.chip) if reads else None, layout=layout),
        out_exists=order.out is not None and (order.out.exists() or order.out.is_symlink()),
        confirmation=None,
    )
    result = PreparedBlank(request=request, checks=check_blank(request), matches=matches)
    return Prepared(order=order, result=result)


def write_blank(
    prepared: Prepared,
    store: BackupStore,
    confirm: Callable[[Prepared], str],
    *,
    now: datetime,
) -> WrittenBlank:
    """Let the gate decide, write the file, read it back, prove it, and record it.

    After the person has confirmed, the store is locked, and the backup is verified once
    more: what was checked is what is there when the file is written.

    Args:
        prepared: Made in this run.
        store: Holds the donor's backup.
        confirm: Asks the person; called only after every other rule has allowed.
        now: Time of the journal's entry.

    Raises:
        RefusalError: a rule said no; nothing was written.
        StoreError: the file could not be written, or is not what was meant.
    """
    cleared = require_blank(prepared.result.request)
    confirmation = confirm(prepared)
    with store.locked():
        request = replace(
            prepared.result.request,
            confirmation=confirmation,
            receipt=store.require_receipt(cleared.reads.backup),
        )
        return _write(prepared, store, request, require_blank(request), now)


def _write(
    prepared: Prepared,
    store: BackupStore,
    request: BlankRequest,
    cleared: Clearance,
    now: datetime,
) -> WrittenBlank:
    order, opened = prepared.order, prepared.order.opened
    if opened is None:
        raise ValueError("a blanking was cleared without a job")
    format = order.format or order.loaded.format
    data = encode_image(cleared.blanked, format)
    chip = cleared.reads.chip
    if order.layout is not None:
        opened = keep_layout(opened, order.layout, chip, now)
    copy = free_path(opened.folder / FILES, f"to-write-{chip}", SUFFIXES[format])
    out = order.out or copy

    def ask_again() -> None:
        # Another program may have taken the backup away since; then no file appears.
        store.require_receipt(cleared.reads.backup)

    digest = write_new(out, data, before_publish=ask_again)
    written = load_read(out, ReadOptions(format=format, base=cleared.reads.base)).image
    proof = check_written(cleared.plan, request.image, cleared.blanked, written)
    if any(check.result is Verdict.FAIL for check in proof):
        raise StoreError(
            f"'{out}' does not hold what was meant",
            code="write-differs",
            next_step="do not write it to a module; check the disk and blank again",
        )
    if out != copy:
        write_new(copy, data)
    checks = (*check_blank(request), *proof)
    facts = {
        "backup": cleared.reads.backup,
        "chip": chip,
        "out": name_in_record(opened, out),
        "copy": relative_to_job(opened, copy),
        "format": format.value,
        "sha256": cleared.blanked.sha256(),
        "file_sha256": digest,
        "donor_sha256": request.image.sha256(),
        "layout": request.layout.name if request.layout else None,
        "identities": list(request.identities),
        "edits": [
            {**facts, "kind": edit.kind.value}
            for facts, edit in zip(edits_to_facts(cleared.plan), cleared.plan.edits, strict=True)
        ],
        "kept": kept_to_facts(cleared.plan),
        "checks": checks_to_facts(checks),
        "leftovers": [tell_match(match) for match in prepared.result.matches],
        "searched": describe_search(),
    }
    files = [(relative_to_job(opened, copy), digest)]
    record(opened, "image-blanked", facts, files=files, now=now)
    return WrittenBlank(
        prepared=prepared.result,
        out=str(out),
        copy=str(copy),
        sha256=written.sha256(),
        file_sha256=digest,
        checks=checks,
    )


def _donor_reads(opened: OpenJob | None, image: Image) -> KeptReads | None:
    """The job's newest donor backup that holds this image; else any backup that does."""
    if opened is None:
        return None
    digest = image.sha256()
    same = [kept for kept in opened.job.reads if kept.sha256 == digest]
    donors = [kept for kept in same if kept.role is Role.DONOR]
    found = donors or same
    return found[-1] if found else None


def _reference(order: BlankOrder, store: BackupStore, reads: KeptReads | None) -> Image | None:
    if order.opened is None:
        return None
    kept = order.opened.job.latest_reads(Role.REFERENCE, reads.chip if reads else None)
    return load_kept(store, kept)[1].image if kept else None


def _plan(
    order: BlankOrder, image: Image, layout: Layout | None, reference: Image | None
) -> BlankPlan | None:
    try:
        if layout is not None:
            return plan_blank(
                image,
                layout,
                configuration=order.configuration,
                more=order.more,
                keep=order.keep,
                reference=reference,
            )
        if order.vin is not None:
            return plan_blank_vin(image, order.vin, keep=order.keep)
    except PlanError as error:
        raise RefusalError(
            str(error), code="no-plan", next_step="see 'benchimage inspect'"
        ) from error
    return None


def _identities(image: Image, layout: Layout | None, order: BlankOrder) -> tuple[str, ...]:
    """The VINs that go: those of the layout's fields, and every one found elsewhere."""
    texts: list[str] = [order.vin] if order.vin else []
    if layout is not None:
        texts += [
            str(field.value)
            for field in decode_fields(layout, image)
            if field.kind in BLANKED_KINDS
            and field.type is FieldType.VIN
            and field.value is not None
            and is_well_formed(str(field.value))
        ]
        texts += [vin.text for vin in find_vins(image)]
    return tuple(dict.fromkeys(texts))


def _traces(
    blanked: Image, identities: Sequence[str], keep: Sequence[KeptSpan]
) -> tuple[IdentityMatch, ...]:
    return tuple(
        match
        for identity in identities
        for match in find_identity(blanked, identity)
        if not any(kept.span.contains(match.span) for kept in keep)
    )
