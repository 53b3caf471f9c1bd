"""Open a job: record the order, keep every read as a backup, and look at what came in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from memtool.core.backup import Role
from memtool.core.chip import find_chip
from memtool.core.finding import Check, Finding, Severity
from memtool.core.health.all_checks import find_health
from memtool.core.identity.known_identity import PairedMatch, find_paired, find_vins
from memtool.core.image import find_changes
from memtool.core.job import Order
from memtool.core.layouts.layout import Layout
from memtool.core.reads.agreement import Agreement, compare_reads
from memtool.core.stages.donor import check_donor
from memtool.core.start import ModuleView, StartView
from memtool.errors import UsageError
from memtool.store.backups import BackupStore, ReadToKeep
from memtool.store.layout_files.layouts import LoadedLayout
from memtool.store.writing import write_new
from memtool.workflow.jobs import (
    FILES,
    JOURNAL,
    OpenJob,
    create_job,
    free_path,
    load_kept,
    only_chip,
    open_job,
    record,
    relative_to_job,
    stamp,
)
from memtool.workflow.layout_choice import LayoutChoice, choose_layout
from memtool.workflow.loading import LoadedRead, find_repeated


@dataclass(frozen=True, slots=True, kw_only=True)
class StartRequest:
    """What the person gave; everything missing was asked for already."""

    folder: Path
    order: Order
    """Facts to record; None of a fact: not given this time."""
    reads: dict[Role, tuple[LoadedRead, ...]]
    chip: str | None
    layout: Path | None
    """The layout file that was named."""
    single_read_reason: str | None = None
    original_unreadable: str | None = None
    reseated: str | None = None


def start_job(request: StartRequest, store: BackupStore, *, now: datetime) -> StartView:
    """Open the job, or add to it, and back every read up before anything else is done.

    Raises:
        UsageError: a new order lacks what it must have, or reads lack their chip.
        StoreError: a backup could not be made.
    """
    if any(request.reads.values()) and request.chip is None:
        raise UsageError(
            "the reads' memory chip is not named",
            code="missing-answer",
            next_step="name it with --chip, for example --chip 95160",
        )
    for reads in request.reads.values():
        same = find_repeated(reads)
        if same:
            raise UsageError(same[0].text.rstrip("."), code=same[0].code, file=reads[0].path)
    is_new = not (request.folder / JOURNAL).exists()
    opened = _open(request, is_new, now)
    opened = _keep_reads(opened, request, store, now)
    if request.original_unreadable:
        facts = {"reason": request.original_unreadable}
        opened = record(opened, "original-unreadable", facts, now=now)
    chip = request.chip or only_chip(opened, None)
    choice = _choose_layout(opened, store, request, chip)
    if choice.loaded is not None:
        opened = keep_layout(opened, choice.loaded, chip, now)
    return view_job(
        opened,
        store,
        chip=chip,
        layout=choice.loaded.layout if choice.loaded else None,
        layout_reason=choice.reason,
        is_new=is_new,
        agreements=_agreements(request),
    )


def view_job(
    opened: OpenJob,
    store: BackupStore,
    *,
    chip: str | None,
    layout: Layout | None,
    layout_reason: str,
    is_new: bool = False,
    agreements: dict[Role, Agreement] | None = None,
) -> StartView:
    """Look at the newest backup of each role, from the stored copies."""
    modules = []
    for role in Role:
        kept = opened.job.latest_reads(role, chip)
        if kept is None:
            continue
        _, loaded = load_kept(store, kept)
        modules.append(
            ModuleView(
                kept=kept,
                image=loaded.image,
                agreement=(agreements or {}).get(role),
                findings=find_health(
                    loaded.image,
                    chip=find_chip(kept.chip),
                    layout=layout,
                    vin_texts=_expected_vins(opened.job.order, role),
                    claimed_new=role is Role.REFERENCE,
                ),
                vins=find_vins(loaded.image),
            )
        )
    by_role = {module.kept.role: module for module in modules}
    donor, original = by_role.get(Role.DONOR), by_role.get(Role.ORIGINAL)
    family: tuple[Check, ...] = ()
    if donor is not None:
        family = check_donor(
            order=opened.job.order,
            donor=donor.image,
            donor_reads=donor.kept,
            donor_health=donor.findings,
            original=original.image if original else None,
            original_reads=original.kept if original else None,
            layout=layout,
        )
    differing = find_changes(original.image, donor.image) if donor and original else ()
    return StartView(
        folder=str(opened.folder),
        order=opened.job.order,
        original_unreadable=opened.job.original_unreadable,
        is_new=is_new,
        modules=tuple(modules),
        family=family,
        differing=differing,
        pairs=_pairs(opened.job.order, original, donor),
        layout=layout,
        layout_reason=layout_reason,
    )


def _pairs(
    order: Order, original: ModuleView | None, donor: ModuleView | None
) -> tuple[PairedMatch, ...]:
    """Where each holds its own VIN; empty unless both are read and the donor shows one VIN."""
    if original is None or donor is None or order.vehicle_vin is None:
        return ()
    others = {vin.text for vin in donor.vins} - {order.vehicle_vin}
    if len(others) != 1:
        return ()
    return find_paired(original.image, order.vehicle_vin, donor.image, others.pop())


def find_missing(order: Order) -> tuple[str, ...]:
    """The facts that a new order must have and this one lacks, by their option's name."""
    wanted = ("vehicle_vin", "module_kind", "authority")
    return tuple("--" + name.replace("_", "-") for name in wanted if getattr(order, name) is None)


def _open(request: StartRequest, is_new: bool, now: datetime) -> OpenJob:
    if not is_new:
        opened = open_job(request.folder)
        facts = request.order.to_facts()
        return record(opened, "order-amended", facts, now=now) if facts else opened
    missing = [name for name in find_missing(request.order) if name != "--authority"]
    if missing:
        raise UsageError(
            f"a new job needs {', '.join(missing)}",
            code="missing-answer",
            next_step="give these options, or run the command at a terminal to be asked",
        )
    return create_job(request.folder, request.order, now=now)


def _choose_layout(
    opened: OpenJob, store: BackupStore, request: StartRequest, chip: str | None
) -> LayoutChoice:
    order = opened.job.order
    kept = opened.job.latest_reads(Role.DONOR, chip) or opened.job.latest_reads(Role.ORIGINAL, chip)
    return choose_layout(
        load_kept(store, kept)[1].image if kept else None,
        named=request.layout,
        opened=opened,
        chip=chip,
        part_number=order.donor_part or order.original_part,
    )


def _agreements(request: StartRequest) -> dict[Role, Agreement]:
    return {
        role: compare_reads([read.image for read in reads])
        for role, reads in request.reads.items()
        if len(reads) > 1
    }


def _keep_reads(
    opened: OpenJob, request: StartRequest, store: BackupStore, now: datetime
) -> OpenJob:
    agreements = _agreements(request)
    for role, reads in request.reads.items():
        if not reads or request.chip is None:
            continue
        entry = store.add(
            [read_to_keep(read) for read in reads],
            role=role,
            chip=request.chip,
            single_read_reason=request.single_read_reason if len(reads) == 1 else None,
            added=stamp(now),
        )
        findings = [
            *find_health(
                reads[0].image,
                chip=find_chip(request.chip),
                vin_texts=_expected_vins(opened.job.order, role),
                claimed_new=role is Role.REFERENCE,
            )
        ]
        if role in agreements:
            findings += agreements[role].findings
        facts = {
            "backup": entry.id,
            "role": role.value,
            "chip": request.chip,
            "sha256": entry.sha256,
            "size": reads[0].image.size,
            "format": reads[0].format.value,
            "base": entry.reads[0].base,
            "reads": len(reads),
            "agree": entry.agree,
            "single_read_reason": entry.single_read_reason,
            "reseated": request.reseated if len(reads) > 1 else None,
            "names": [read.name for read in entry.reads],
            "findings": _weighty(findings),
        }
        files = [(read.path, read.file_sha256) for read in reads]
        opened = record(opened, "reads-kept", facts, files=files, now=now)
    return opened


def _expected_vins(order: Order, role: Role) -> tuple[str, ...]:
    """The VIN that a read of this role should hold, where one is known."""
    return (order.vehicle_vin,) if role is Role.ORIGINAL and order.vehicle_vin else ()


def _weighty(findings: Sequence[Finding]) -> list[str]:
    return [finding.text for finding in findings if finding.severity is not Severity.INFO]


def read_to_keep(read: LoadedRead) -> ReadToKeep:
    """A loaded file in the shape that the backup store takes."""
    extent = read.image.extent
    return ReadToKeep(
        name=Path(read.path).name,
        data=read.data,
        file_sha256=read.file_sha256,
        sha256=read.image.sha256(),
        format=read.format.value,
        base=extent.start if extent and read.format == "raw" else 0,
        size=read.image.size,
        overlap_last=read.options.overlap_last,
        accept_missing_end=read.options.accept_missing_end,
    )


def keep_layout(opened: OpenJob, loaded: LoadedLayout, chip: str | None, now: datetime) -> OpenJob:
    """Copy the layout into the job, so that the record stays whole when the file moves."""
    chosen = opened.job.layout_of(chip or loaded.layout.chip)
    if chosen is not None and chosen.sha256 == loaded.sha256:
        return opened
    path = free_path(opened.folder / FILES, "layout", ".toml")
    write_new(path, loaded.data)
    facts = {
        "name": loaded.layout.name,
        "chip": chip or loaded.layout.chip,
        "path": relative_to_job(opened, path),
        "sha256": loaded.sha256,
        "reviewed": loaded.layout.reviewed,
    }
    files = [(relative_to_job(opened, path), loaded.sha256)]
    return record(opened, "layout-chosen", facts, files=files, now=now)
