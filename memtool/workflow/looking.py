"""Look at a job's memories from their stored copies: what `start` shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from memtool.core.chip import find_chip
from memtool.core.finding import Check
from memtool.core.health.agreement import compare_reads
from memtool.core.health.all_checks import find_health
from memtool.core.job.donor_identity import find_donor_identity
from memtool.core.job.events.kinds import ReadsBackedUp
from memtool.core.job.next_action import find_next
from memtool.core.job.order import Order
from memtool.core.job.setup_list import find_protected, find_setup
from memtool.core.job.stages.baseline import check_taken_over, compare_with_baseline
from memtool.core.job.stages.donor import check_donor, check_original_identity
from memtool.core.job.stages.read_areas import check_read_areas
from memtool.core.job.start import MemoryView, ModuleView, StartView
from memtool.core.job.whose import check_whose
from memtool.core.layouts.layout import Layout
from memtool.core.records.placing import place_in_all
from memtool.core.role import Role
from memtool.core.runs import find_changes
from memtool.core.span import Span, subtract_spans
from memtool.core.texts.known_identity import PairedMatch, find_paired, find_vins
from memtool.store.backups import BackupStore
from memtool.store.layouts import LoadedLayout
from memtool.workflow.guards import find_guarded_of, find_reads
from memtool.workflow.jobs import OpenJob, load_backup, load_backup_reads
from memtool.workflow.keeping_reads import expected_vins
from memtool.workflow.layout_choice import LayoutChoice, choose_layout


def choose_for_memory(
    opened: OpenJob, store: BackupStore, memory: str, named: LoadedLayout | None
) -> LayoutChoice:
    """The layout of one memory: the one that was named, the job's, or the library's best.

    Raises:
        LayoutError, StoreError: as `choose_layout`.
    """
    if named is not None:
        return LayoutChoice(loaded=named, reason="Given with --layout.")
    order = opened.job.order
    backup = opened.job.newest_backup(Role.DONOR, memory) or opened.job.newest_backup(
        Role.ORIGINAL, memory
    )
    return choose_layout(
        load_backup(store, backup)[1].image if backup else None,
        named=None,
        opened=opened,
        chip=opened.job.chip_of(memory),
        memory=memory,
        part_number=order.donor_part or order.original_part,
    )


def view_job(
    opened: OpenJob,
    store: BackupStore,
    choices: Mapping[str, LayoutChoice],
    *,
    is_new: bool = False,
) -> StartView:
    """Look at the newest backup of each role and memory, from the stored copies.

    Args:
        opened: The job.
        store: Where its backups are.
        choices: The layout of each memory, by its name.
        is_new: Whether this call opened the job.

    Raises:
        StoreError: a backup is lost or changed.
    """
    return StartView(
        folder=str(opened.folder),
        order=opened.job.order,
        is_new=is_new,
        next=find_next(opened.job),
        broken_layouts=tuple(
            dict.fromkeys(str(fault) for choice in choices.values() for fault in choice.broken)
        ),
        memories=tuple(
            _view_memory(opened, store, name, choices[name]) for name in opened.job.memories
        ),
    )


def _view_memory(
    opened: OpenJob, store: BackupStore, name: str, choice: LayoutChoice
) -> MemoryView:
    job = opened.job
    layout = choice.loaded.layout if choice.loaded else None
    backups = [job.newest_backup(role, name) for role in Role]
    not_read = job.not_read(name)
    modules = tuple(
        _view_module(job.order, store, backup, layout, not_read) for backup in backups if backup
    )
    by_role = {module.backup.role: module for module in modules}
    donor, original = by_role.get(Role.DONOR), by_role.get(Role.ORIGINAL)
    family: tuple[Check, ...] = ()
    if donor is not None:
        whose = check_whose(find_reads(opened, store, name), vehicle_vin=job.order.vehicle_vin)
        family = (
            *whose,
            *check_taken_over(job.taken_over),
            *check_donor(
                order=job.order,
                donor=donor.image,
                donor_reads=donor.backup,
                donor_health=donor.findings,
                original=original.image if original else None,
                original_reads=original.backup if original else None,
                layout=layout,
                not_read=not_read,
            ),
        )
        family += check_read_areas(
            donor.image,
            find_guarded_of(opened, name, choice.loaded, donor.image),
            job.settled_in(name, donor.backup.sha256),
        )
    elif original is not None:
        family = _of_original(opened, store, name, original, layout)
    changes = find_changes(original.image, donor.image) if donor and original else ()
    return MemoryView(
        name=name,
        chip=job.chip_of(name),
        modules=modules,
        withdrawn=tuple(read for read in job.withdrawn if read.memory == name),
        unreadable=job.why_unreadable(name),
        family=family,
        reader_order=job.order_set(name),
        not_read=not_read,
        differing=subtract_spans(changes, not_read),
        pairs=_pairs(job.order, original, donor),
        is_follow_up=job.is_follow_up,
        setup=find_setup(
            original.image,
            donor.image,
            layout,
            not_read=not_read,
            hidden=find_protected(job.named_layouts, name),
        )
        if donor and original
        else (),
        donor_identity=None
        if donor is None
        else find_donor_identity(donor.image, vehicle_vin=job.order.vehicle_vin, layout=layout),
        layout=place_in_all(layout, tuple(module.image for module in modules)),
        layout_reason=choice.reason,
    )


def _of_original(
    opened: OpenJob, store: BackupStore, name: str, original: ModuleView, layout: Layout | None
) -> tuple[Check, ...]:
    """What an original says by itself: whether it is this vehicle's own, or what came back."""
    job = opened.job
    if job.is_follow_up:
        return _since_handed_over(opened, store, name, original, layout)
    whose = check_whose(find_reads(opened, store, name), vehicle_vin=job.order.vehicle_vin)
    return (*whose, check_original_identity(original.image, job.order))


def _since_handed_over(
    opened: OpenJob, store: BackupStore, name: str, original: ModuleView, layout: Layout | None
) -> tuple[Check, ...]:
    """A module that came back, against what an older job handed over."""
    job = opened.job
    baseline, taken = job.baseline_of(name), job.taken_over
    if taken is None or baseline is None:
        return ()
    if baseline == original.backup:
        return check_taken_over(taken)
    held = load_backup(store, baseline)[1].image
    return (*check_taken_over(taken), compare_with_baseline(original.image, held, layout, taken))


def _view_module(
    order: Order,
    store: BackupStore,
    backup: ReadsBackedUp,
    layout: Layout | None,
    not_read: Sequence[Span],
) -> ModuleView:
    reads = load_backup_reads(store, backup)
    image = reads[0].image  # Of a majority the only one: the image that was voted.
    return ModuleView(
        backup=backup,
        image=image,
        agreement=compare_reads([read.image.without(not_read) for read in reads])
        if len(reads) > 1
        else None,
        findings=find_health(
            image,
            chip=find_chip(backup.chip),
            layout=layout,
            vin_texts=expected_vins(order, backup.role),
            claimed_new=backup.role is Role.REFERENCE,
        ),
        vins=find_vins(image),
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
