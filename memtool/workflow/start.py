"""Open a job, or add to it: record the order, keep every read as a backup, choose layouts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from memtool.core.chip import find_chip
from memtool.core.finding import Severity, Verdict
from memtool.core.health.reader_orders import OrderSign
from memtool.core.job.assigning import find_memory_of_size
from memtool.core.job.bans import find_vin_change_fault
from memtool.core.job.events.kinds import (
    AreaSettled,
    OrderAmended,
    OriginalUnreadable,
)
from memtool.core.job.events.memory_kinds import MemoryDeclared
from memtool.core.job.memory import name_of_chip
from memtool.core.job.order import Order
from memtool.core.job.stages.donor import check_original_identity
from memtool.core.job.start import StartView
from memtool.core.job.whose import OneRead, find_whose
from memtool.core.names import JOURNAL
from memtool.core.reader_order import iterate_views
from memtool.core.role import Role
from memtool.core.span import Span, format_span, union_spans
from memtool.errors import RefusalError, UsageError
from memtool.store.backups import BackupStore
from memtool.store.layouts import LoadedLayout, read_layout
from memtool.workflow.guards import find_donor_vins
from memtool.workflow.jobs import (
    OpenJob,
    append_event,
    create_job,
    open_job,
)
from memtool.workflow.judging_again import judge_again
from memtool.workflow.keeping_reads import NewReads, find_read, keep_reads
from memtool.workflow.layout_choice import choose_layout, find_library_layout
from memtool.workflow.loading import LoadedRead, as_in_file, find_repeated, require_few_vins
from memtool.workflow.looking import choose_for_memory, view_job
from memtool.workflow.named_layouts import keep_layout, remember_layout
from memtool.workflow.order_facts import option_of
from memtool.workflow.reader_orders import MemoryOrders, SettledOrder, record_orders, settle_orders
from memtool.workflow.remembering import require_not_vanished
from memtool.workflow.taking_over import OlderJob, load_taken, take_over


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenRead:
    """One file, as a person gave it."""

    role: Role
    memory: str | None
    """None: by its size."""
    read: LoadedRead


@dataclass(frozen=True, slots=True, kw_only=True)
class StartRequest:
    """What the person gave; everything missing was asked for already.

    A reason under the memory None counts for every memory.
    """

    folder: Path
    order: Order
    """Facts to record; None of a fact: not given this time."""
    memories: Mapping[str, str] = field(default_factory=dict)
    """Chip of each memory that is named now, by the memory's name."""
    chip: str | None = None
    """Of the reads that no memory is named for."""
    reads: tuple[GivenRead, ...] = ()
    layouts: tuple[Path, ...] = ()
    older: OlderJob | None = None
    """The job whose reads a new one begins with."""
    single_read: Mapping[str | None, str] = field(default_factory=dict)
    unreadable: Mapping[str | None, str] = field(default_factory=dict)
    reseated: str | None = None
    sitting: str | None = None
    replaces: tuple[str, ...] = ()
    """Reads that are withdrawn, by file name or digest."""
    reader_orders: Mapping[str, SettledOrder] = field(default_factory=dict)
    """In which order the reader writes, as a person says, by memory."""
    not_read: tuple[tuple[str | None, Span], ...] = ()
    """Areas that the reader could not give, each with its memory; None: the only one."""
    reason: str | None = None
    """Why reads are withdrawn or taken over, or an area was not read."""


def start_job(request: StartRequest, store: BackupStore, *, now: datetime) -> StartView:
    """Open the job, or add to it, and back every read up before anything else is done.

    Raises:
        UsageError: a new order lacks what it must have, or it is not certain which memory
            a read comes from.
        RefusalError: a memory has another chip in this job.
        StoreError: a backup could not be made.
    """
    is_new = not (request.folder / JOURNAL).exists()
    before = None if is_new else open_job(request.folder, store=store.folder)
    known = {} if before is None else before.job.chips
    older, taken = request.older, None
    if older is not None:
        if not is_new:
            raise UsageError(
                "a job takes reads over when it is opened",
                code="job-exists",
                next_step="name a new folder with --job",
                file=str(request.folder),
            )
        known = older.opened.job.chips
    chips = find_chips(request, known)
    layouts = _assign_layouts(request.layouts, chips)
    if older is not None:
        layouts = _assign_layouts(older.layouts, chips) | layouts
        assert request.reason is not None
        taken = load_taken(older, store, reason=request.reason)
    groups, orders = _find_orders(request, before, store, chips, layouts)
    areas = _areas_not_read(request, chips)
    opened = _open(request, store, is_new, now)
    if taken is not None:
        opened = take_over(opened, store, taken, now=now)
    opened = record_orders(opened, store, orders, now)
    groups = _add_withdrawals(opened, store, request, groups)
    read = {group.memory for group in groups}
    for name, chip in chips.items():
        # A memory that is named by its chip is known from its reads alone.
        is_told = name in read and name == name_of_chip(chip)
        if not is_told and name not in opened.job.chips:
            opened = append_event(opened, MemoryDeclared(memory=name, chip=chip), now=now)
    for group in groups:
        opened = keep_reads(opened, store, group, now)
    for name, spans in areas.items():
        assert request.reason is not None
        area = AreaSettled(memory=name, spans=spans, how="not-read", reason=request.reason)
        opened = append_event(opened, area, now=now)
    for memory, reason in request.unreadable.items():
        event = OriginalUnreadable(memory=memory, reason=reason)
        opened = append_event(opened, event, now=now)
    choices = {
        name: choose_for_memory(opened, store, name, layouts.get(name))
        for name in opened.job.memories
    }
    for name, choice in choices.items():
        if choice.loaded is not None:
            used = {chosen.sha256 for chosen in opened.job.layouts}
            is_new_to_it = choice.loaded.sha256 not in used and not choice.by_pattern_alone
            if name in layouts or is_new_to_it:
                opened = remember_layout(opened, choice.loaded, name, now)
            opened = keep_layout(opened, choice.loaded, name, now)
    opened = judge_again(opened, store, now=now)
    return view_job(opened, store, choices, is_new=is_new)


def list_unsure_orders(request: StartRequest, store: BackupStore) -> dict[str, OrderSign]:
    """What speaks, but not surely, for files that are not in the chip's order, by memory.

    Raises:
        UsageError, StoreError: as `start_job`.
    """
    is_new = not (request.folder / JOURNAL).exists()
    before = None if is_new else open_job(request.folder, store=store.folder)
    chips = find_chips(request, {} if before is None else before.job.chips)
    layouts = _assign_layouts(request.layouts, chips)
    _, orders = _find_orders(request, before, store, chips, layouts)
    return {name: each.unsure for name, each in orders.items() if each.unsure is not None}


def _find_orders(
    request: StartRequest,
    before: OpenJob | None,
    store: BackupStore,
    chips: Mapping[str, str],
    named: Mapping[str, LoadedLayout],
) -> tuple[list[NewReads], dict[str, MemoryOrders]]:
    layouts = {name: loaded.layout for name, loaded in named.items()}
    for name in chips if before is not None else ():
        used = choose_layout(None, named=None, opened=before, memory=name).loaded
        if used is not None:
            layouts.setdefault(name, used.layout)
    groups = _group_reads(request, chips)
    for group in groups:
        if group.memory not in layouts and group.reads:
            seen = iterate_views(as_in_file(group.reads[0]))
            known = find_library_layout(seen, chip=group.chip)
            if known is not None:
                layouts[group.memory] = known
    vin = request.order.vehicle_vin
    if vin is None and before is not None:
        vin = before.job.order.vehicle_vin
    return settle_orders(
        before,
        store,
        groups,
        named=request.reader_orders,
        layouts=layouts,
        vehicle_vin=vin,
    )


def find_chips(request: StartRequest, known: Mapping[str, str]) -> dict[str, str]:
    """The chip of every memory that the job has with this call, by name.

    Args:
        request: Memories, a chip or layouts may name some.
        known: Those that the job has already.

    Raises:
        RefusalError: a memory has another chip already.
    """
    chips = dict(known)
    for name, chip in request.memories.items():
        there = chips.setdefault(name, chip)
        if find_chip(there) != find_chip(chip):
            raise RefusalError(
                f"the memory {name} is a {there} in this job, not a {chip}",
                code="memory-has-another-chip",
                next_step="give the other one a name of its own with --memory NAME=CHIP",
            )
    if request.chip is not None and not _names_with(chips, request.chip):
        chips[name_of_chip(request.chip)] = request.chip
    if not chips:
        for path in request.layouts:
            chip = read_layout(path).layout.chip
            chips[name_of_chip(chip)] = chip
    return chips


def memory_of_read(request: StartRequest, given: GivenRead, chips: Mapping[str, str]) -> str | None:
    """The memory that a read comes from; None where it is not certain."""
    if given.memory is not None:
        return given.memory
    if request.chip is not None:
        fitting = _names_with(chips, request.chip)
        return fitting[0] if len(fitting) == 1 else None
    return find_memory_of_size(given.read.image.size, chips)


def find_missing(order: Order) -> tuple[str, ...]:
    """The facts that a new order must have and this one lacks, by their option's name."""
    wanted = ("vehicle_vin", "module_kind", "authority")
    return tuple(option_of(name) for name in wanted if getattr(order, name) is None)


def require_one_file_a_read(reads: tuple[GivenRead, ...]) -> None:
    """One file is one read of one memory of one module.

    Raises:
        UsageError: a file was given twice.
    """
    same = find_repeated([given.read for given in reads])
    if same:
        raise UsageError(same[0].text.rstrip("."), code=same[0].code, file=reads[0].read.path)


def find_mix_ups(
    request: StartRequest, reads: Sequence[GivenRead], chips: Mapping[str, str]
) -> tuple[str, ...]:
    """Reads in wrong roles, as far as they tell by themselves: each a sentence.

    Two modules' reads in one role, or one image in both roles, are named before a person
    answers anything else.
    """
    by_memory: dict[str | None, list[OneRead]] = {}
    for given in reads:
        memory = memory_of_read(request, given, chips)
        one = OneRead(role=given.role, image=given.read.image, name=Path(given.read.path).name)
        by_memory.setdefault(memory, []).append(one)
    vin = request.order.vehicle_vin
    found = [
        finding.text
        for group in by_memory.values()
        for finding in find_whose(group, vehicle_vin=vin)
        if finding.severity is Severity.FAILURE
    ]
    if vin is not None:
        originals = [
            next((read.image for read in group if read.role is Role.ORIGINAL), None)
            for group in by_memory.values()
        ]
        checks = [check_original_identity(each, request.order) for each in originals if each]
        found += [check.text for check in checks if check.result is Verdict.FAIL]
    return tuple(dict.fromkeys(found))


def _names_with(chips: Mapping[str, str], chip: str) -> list[str]:
    wanted = find_chip(chip)
    return [name for name, each in chips.items() if (find_chip(each) or each) == (wanted or chip)]


def _group_reads(request: StartRequest, chips: Mapping[str, str]) -> list[NewReads]:
    require_one_file_a_read(request.reads)
    require_few_vins([given.read for given in request.reads])
    if request.reads and not chips:
        raise UsageError(
            "the reads' memory chip is not named",
            code="missing-answer",
            next_step="name it with --chip, for example --chip 95160; several with"
            " --memory NAME=CHIP each",
        )
    by_place: dict[tuple[Role, str], list[LoadedRead]] = {}
    for role in Role:
        for given in request.reads:
            if given.role is role:
                memory = memory_of_read(request, given, chips)
                if memory is None:
                    raise _not_certain(given, chips)
                by_place.setdefault((role, memory), []).append(given.read)
    return [
        NewReads(
            role=role,
            memory=memory,
            chip=chips[memory],
            reads=tuple(reads),
            sitting=request.sitting,
            single_read_reason=_reason(request.single_read, memory),
            reseated=request.reseated,
        )
        for (role, memory), reads in by_place.items()
    ]


def _areas_not_read(request: StartRequest, chips: Mapping[str, str]) -> dict[str, tuple[Span, ...]]:
    found: dict[str, tuple[Span, ...]] = {}
    for name, span in request.not_read:
        memory = name or (next(iter(chips)) if len(chips) == 1 else None)
        if memory not in chips:
            raise UsageError(
                f"the memory of the area {format_span(span)} is not known"
                if name is None
                else f"this job has no memory {name}",
                code="which-memory",
                next_step=f"write --not-read NAME=SPAN with one of: {', '.join(chips)}",
            )
        assert memory is not None
        found[memory] = union_spans((*found.get(memory, ()), span))
    return found


def _reason(reasons: Mapping[str | None, str], memory: str) -> str | None:
    return reasons.get(memory, reasons.get(None))


def _not_certain(given: GivenRead, chips: Mapping[str, str]) -> UsageError:
    named = ", ".join(f"{name} ({chip})" for name, chip in chips.items())
    first = next(iter(chips))
    return UsageError(
        f"it is not certain which memory this file of {given.read.image.size:,} bytes was read"
        f" from: {named}",
        code="which-memory",
        next_step=f"put the memory's name before it: --{given.role.value} {first}=FILE",
        file=given.read.path,
    )


def _assign_layouts(paths: Sequence[Path], chips: Mapping[str, str]) -> dict[str, LoadedLayout]:
    found: dict[str, LoadedLayout] = {}
    for path in paths:
        loaded = read_layout(path)
        fitting = _names_with(chips, loaded.layout.chip)
        if len(chips) == 1:
            fitting = list(chips)
        free = [name for name in fitting if name not in found]
        if not free:
            raise UsageError(
                f"no memory of this job is a {loaded.layout.chip}, the chip of this layout",
                code="layout-of-another-chip",
                next_step="name the memory with --memory NAME=CHIP, or leave the layout out",
                file=str(path),
            )
        found[free[0]] = loaded
    return found


def _add_withdrawals(
    opened: OpenJob, store: BackupStore, request: StartRequest, groups: list[NewReads]
) -> list[NewReads]:
    by_place = {(group.role, group.memory): group for group in groups}
    for asked in request.replaces:
        role, memory, read = find_read(opened, store, asked)
        group = by_place.get((role, memory)) or NewReads(
            role=role,
            memory=memory,
            chip=opened.job.chip_of(memory),
            single_read_reason=_reason(request.single_read, memory),
        )
        by_place[role, memory] = replace(
            group, withdrawn=(*group.withdrawn, read), reason=request.reason
        )
    return list(by_place.values())


def _require_same_vehicle(request: StartRequest, opened: OpenJob, store: BackupStore) -> None:
    """After the first blanking the vehicle changes only with a reason."""
    vin = request.order.vehicle_vin
    if vin is None or not opened.job.blankings:
        return
    held = find_donor_vins(opened, store)
    fault = find_vin_change_fault(opened.job, vin, reason=request.reason, donor_vins=held)
    if fault is not None:
        raise RefusalError(
            fault,
            code="vehicle-changed",
            next_step="open a new job for another vehicle, or say why with --reason TEXT",
        )


def _open(request: StartRequest, store: BackupStore, is_new: bool, now: datetime) -> OpenJob:
    if not is_new:
        opened = open_job(request.folder, store=store.folder)
        if request.order == Order():
            return opened
        _require_same_vehicle(request, opened, store)
        event = OrderAmended(order=request.order, reason=request.reason)
        return append_event(opened, event, now=now)
    require_not_vanished(request.folder, store.folder)
    missing = [name for name in find_missing(request.order) if name != "--authority"]
    if missing:
        raise UsageError(
            f"a new job needs {', '.join(missing)}",
            code="missing-answer",
            next_step="give these options, or run the command at a terminal to be asked",
        )
    return create_job(request.folder, request.order, now=now, store=store.folder)
