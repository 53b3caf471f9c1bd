"""`check` over all memories of the job: which are meant, each judged, one verdict for all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from memtool.core.job.assigning import find_memory_of_size, split_named
from memtool.core.job.parts import (
    MemoryVerdict,
    PartState,
    find_part,
    is_transferred,
    tell_stage,
    worst_of,
)
from memtool.core.job.programming import ProgrammingCard, make_card
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.job.stages.accounting import find_mileage, holds_mileage
from memtool.core.read_options import PLAIN, ReadOptions
from memtool.core.reader_order import parse_reader_order
from memtool.core.role import Role
from memtool.core.texts.vin import fold_typed, is_well_formed
from memtool.errors import UsageError
from memtool.store.backups import BackupStore
from memtool.workflow.blank_writing import find_not_read
from memtool.workflow.check import check_stage, infer_stage
from memtool.workflow.jobs import TO_WRITE, OpenJob, load_named, require_role, split_image_name
from memtool.workflow.layout_choice import choose_layout
from memtool.workflow.loading import load_read
from memtool.workflow.stages.request import Checked, CheckRequest

_ORDER = tuple(Stage)
_OF_A_READ = (Stage.AFTER_WRITING, Stage.AFTER_SETUP, Stage.RESTORED)
"""Stages that judge a read of the module, which only a person can give."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckAllRequest:
    """What the person asked for, as typed."""

    opened: OpenJob
    stage: Stage | None
    names: tuple[str, ...] = ()
    """``[NAME=]READ``, or names of the job's images."""
    targets: tuple[str, ...] = ()
    """``[NAME=]READ``."""
    reported_vins: tuple[str, ...] = ()
    codes: str | None = None
    mileage_before: str | None = None
    mileage_after: str | None = None
    """What the vehicle showed before the work and after it, as reported."""
    chip: str | None = None
    """The chip named with ``--chip``; it means one memory."""
    options: ReadOptions = field(default_factory=ReadOptions)
    reader_orders: tuple[str, ...] = ()
    """``[NAME=]FORM``: how another reader than the job's wrote the files that are given."""

    @property
    def is_reported(self) -> bool:
        """Whether values from a scan tool are given."""
        return bool(self.reported_vins) or self.codes is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedAll:
    """One stage of the job, with what was judged now and what is open."""

    opened: OpenJob
    stage: Stage
    inferred: bool
    done: tuple[Checked, ...]
    """What this run judged; none where nothing was given to judge."""
    memories: tuple[MemoryVerdict, ...]
    """Where every memory of the job stands in that stage, by name."""
    verdict: StageVerdict
    """The worst of them."""
    cards: tuple[ProgrammingCard, ...] = ()
    """What to know of each memory before it is programmed; before writing alone."""
    is_first: bool = True
    """Whether the job never came to this stage before: cautions are given once."""

    @property
    def has_several(self) -> bool:
        """Whether the job has several memories."""
        return len(self.memories) > 1


def fold_reported(text: str) -> str:
    """A VIN as a person typed it; what is none stays as the scan tool showed it."""
    folded = fold_typed(text)
    return folded if is_well_formed(folded) else text


def asks_for_mileage(request: CheckAllRequest) -> bool:
    """Whether a finished module that holds mileage is judged, and what it showed is not known.

    Raises:
        UsageError: whose read a file is cannot be told.
    """
    opened = request.opened
    is_given = request.mileage_before is not None or request.mileage_after is not None
    if is_given or not (request.names or request.is_reported) or find_mileage(opened.job):
        return False
    if request.stage not in (None, Stage.AFTER_SETUP):
        return False
    if request.stage is None and _infer(request, tuple(_assign(request, request.names))) is not (
        Stage.AFTER_SETUP
    ):
        return False
    layouts = [
        choose_layout(None, named=None, opened=opened, chip=memory).loaded
        for memory in opened.job.memories
    ]
    return any(
        holds_mileage(opened.job.order, loaded.layout if loaded else None)
        for loaded in (*layouts, None)
    )


def check_memories(request: CheckAllRequest, store: BackupStore, *, now: datetime) -> CheckedAll:
    """Judge every memory that is meant, and say where the others stand.

    Raises:
        UsageError: what the stage needs is not there, or whose read a file is cannot be told.
        StoreError: a backup is lost or damaged.
    """
    opened = request.opened
    if len(opened.job.memories) < 2:
        return _check_one(request, store, now)
    reads = _assign(request, request.names)
    targets = _assign(request, request.targets)
    stage = request.stage or _infer(request, tuple(reads))
    done: list[Checked] = []
    orders = _orders(request)
    for memory in _meant(request, stage, tuple(reads)):
        asked = CheckRequest(
            opened=opened,
            stage=stage,
            name=reads.get(memory),
            target=targets.get(memory),
            mileage_before=request.mileage_before,
            mileage_after=request.mileage_after,
            layout=choose_layout(None, named=None, opened=opened, chip=memory).loaded,
            chip=memory,
            options=request.options,
            reader_order=orders.get(memory),
        )
        done.append(check_stage(asked, store, now=now))
        opened = done[-1].opened
    if request.is_reported:
        asked = CheckRequest(
            opened=opened,
            stage=stage,
            name=None,
            reported_vins=request.reported_vins,
            codes=request.codes,
            mileage_before=request.mileage_before,
            mileage_after=request.mileage_after,
            options=request.options,
        )
        done.append(check_stage(asked, store, now=now))
        opened = done[-1].opened
    memories = tell_stage(opened.job, stage)
    return CheckedAll(
        opened=opened,
        stage=stage,
        inferred=request.stage is None,
        done=tuple(done),
        memories=memories,
        verdict=worst_of(memories),
        cards=(*_cards(opened, store, stage, done), *_transfer_cards(opened, store, stage, done)),
        is_first=_is_first(request, stage),
    )


def _check_one(request: CheckAllRequest, store: BackupStore, now: datetime) -> CheckedAll:
    """The job's only memory."""
    opened = request.opened
    memory = opened.job.find_memory(request.chip) if request.chip else None
    memory = memory or next(iter(opened.job.memories), None)
    reads, targets = _assign(request, request.names), _assign(request, request.targets)
    asked = CheckRequest(
        opened=opened,
        stage=request.stage,
        name=next(iter(reads.values()), None),
        target=next(iter(targets.values()), None),
        reported_vins=request.reported_vins,
        codes=request.codes,
        mileage_before=request.mileage_before,
        mileage_after=request.mileage_after,
        layout=choose_layout(None, named=None, opened=opened, chip=memory).loaded,
        chip=memory,
        options=request.options,
        reader_order=_orders(request).get(memory),
    )
    checked = check_stage(asked, store, now=now)
    verdict = MemoryVerdict(memory=memory or "", verdict=checked.verdict, text="checked now")
    return CheckedAll(
        opened=checked.opened,
        stage=checked.stage,
        inferred=checked.inferred,
        done=(checked,),
        memories=(verdict,) if memory else (),
        verdict=checked.verdict,
        cards=(
            *_cards(checked.opened, store, checked.stage, [checked]),
            *_transfer_cards(checked.opened, store, checked.stage, [checked]),
        ),
        is_first=_is_first(request, checked.stage),
    )


def _is_first(request: CheckAllRequest, stage: Stage) -> bool:
    return all(check.stage is not stage for check in request.opened.job.stage_checks)


def _cards(
    opened: OpenJob, store: BackupStore, stage: Stage, done: Sequence[Checked]
) -> tuple[ProgrammingCard, ...]:
    """The card of every file to program that was judged and may be written."""
    cards = []
    for checked in done:
        made = opened.job.blankings_of(checked.memory)
        judged = opened.job.latest_check(Stage.BEFORE_WRITING, checked.memory)
        is_made = judged is not None and made and judged.sha256 == made[-1].sha256
        may_go = stage is Stage.BEFORE_WRITING and checked.verdict is not StageVerdict.FAIL
        if checked.memory is None or not may_go or not is_made:
            continue
        loaded = load_named(
            TO_WRITE, ReadOptions(), opened=opened, store=store, chip=checked.memory
        )
        cards.append(
            make_card(
                memory=opened.job.label_of(checked.memory),
                file=made[-1].out,
                file_sha256=loaded.file_sha256,
                chip=opened.job.chip_of(checked.memory),
                image=loaded.image,
                not_read=find_not_read(opened.job, checked.memory),
                byte_order=made[-1].order,
            )
        )
    return tuple(cards)


def _transfer_cards(
    opened: OpenJob, store: BackupStore, stage: Stage, done: Sequence[Checked]
) -> tuple[ProgrammingCard, ...]:
    """The card of the original's own image, where that was judged and may go onto the module."""
    cards = []
    for checked in done:
        memory = checked.memory
        if stage is not Stage.BEFORE_WRITING or checked.verdict is StageVerdict.FAIL:
            continue
        if memory is None or not is_transferred(opened.job, memory):
            continue
        backup, loaded = require_role(opened, store, Role.ORIGINAL, memory)
        of = f"original/{memory}" if len(opened.job.memories) > 1 else "original"
        cards.append(
            make_card(
                memory=opened.job.label_of(memory),
                file=f"{backup.names[0] if backup.names else 'the read'}; the same bytes:"
                f" benchimage backup restore {of} --out FILE",
                file_sha256=loaded.file_sha256,
                chip=opened.job.chip_of(memory),
                image=loaded.image,
                not_read=find_not_read(opened.job, memory),
                byte_order=backup.orders[0] if backup.orders else PLAIN,
            )
        )
    return tuple(cards)


def _assign(request: CheckAllRequest, names: Sequence[str]) -> dict[str, str]:
    """Each name or path by the memory that it is of.

    Raises:
        UsageError: that cannot be told, or two are of one memory.
    """
    found: dict[str, str] = {}
    for text in names:
        memory, name = _split(request, text)
        if memory in found:
            raise UsageError(
                f"'{found[memory]}' and '{name}' are both reads of the memory {memory}",
                code="two-reads",
                next_step="give one read of each memory, and check any other on its own",
            )
        found[memory] = name
    return found


def _orders(request: CheckAllRequest) -> dict[str | None, str]:
    """The order of the given files by memory.

    Raises:
        UsageError: which memory is meant cannot be told.
    """
    found: dict[str | None, str] = {}
    names = request.opened.job.memories
    for text in request.reader_orders:
        memory, order = split_named(text, names)
        if memory is None and len(names) == 1:
            memory = names[0]
        if memory is None:
            raise UsageError(
                f"--reader-order '{text}' names no memory of this job",
                code="which-memory",
                next_step=f"write NAME=FORM with one of: {', '.join(names)}",
            )
        try:
            found[memory] = parse_reader_order(order)
        except ValueError as error:
            raise UsageError(
                str(error), code="reader-order", next_step="plain means in the chip's own order"
            ) from error
    return found


def _split(request: CheckAllRequest, text: str) -> tuple[str, str]:
    """The memory that a file or image is of, and its name without the memory's."""
    opened = request.opened
    memory, name = split_named(text, opened.job.memories)
    parts = split_image_name(opened, name)
    if memory is None and parts is not None:
        memory = parts[1]
    if memory is None and request.chip is not None:
        memory = opened.job.find_memory(request.chip)
    if memory is None and parts is None:
        chips = opened.job.chips
        size = load_read(Path(name), request.options).image.size if len(chips) > 1 else 0
        memory = find_memory_of_size(size, chips) if chips else ""
    if memory is None and len(opened.job.memories) == 1:
        memory = opened.job.memories[0]
    if memory is None:
        first = opened.job.memories[0]
        raise UsageError(
            f"it is not certain which memory '{name}' was read from",
            code="which-memory",
            next_step=f"name it, as in {first}={name}"
            if parts is None
            else f"name it, as in {name}/{first}",
        )
    return memory, name


def _infer(request: CheckAllRequest, named: tuple[str, ...]) -> Stage:
    """The earliest stage that a memory which is meant has come to."""
    if request.is_reported:
        return Stage.AFTER_SETUP
    job = request.opened.job
    written = [
        memory for memory in job.memories if find_part(job, memory).state is PartState.WRITTEN
    ]
    asked = CheckRequest(opened=request.opened, stage=None, name=None)
    stages = [infer_stage(replace(asked, chip=memory)) for memory in named or written]
    return min(stages, key=_ORDER.index, default=Stage.DONOR)


def _meant(request: CheckAllRequest, stage: Stage, named: tuple[str, ...]) -> tuple[str, ...]:
    """The memories that this run judges: those named, or all that the stage can judge."""
    job = request.opened.job
    if named:
        return named
    if request.chip is not None and stage not in _OF_A_READ:
        return (job.find_memory(request.chip),)
    if stage is Stage.DONOR:
        return tuple(
            memory for memory in job.memories if job.newest_backup(Role.DONOR, memory) is not None
        )
    if stage is Stage.BEFORE_WRITING:
        made = tuple(memory for memory in job.memories if job.blankings_of(memory))
        if not made:
            raise UsageError(
                "this job has not made a file to program yet",
                code="no-to-write",
                next_step="make one with 'benchimage blank donor'",
            )
        return made
    return ()
