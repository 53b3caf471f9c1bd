"""A new job on an older one's reads: a slip that is mended, or a module that came back.

1. Where the older job was finished, the module that was handed over is the vehicle's now: the
   read after setup of each memory becomes the original's, as the baseline. A memory that was
   not written is as the donor's backup has it.
2. Otherwise the reads that count come over, each in its role.
3. Bans do not come over, and neither do verdicts: the new job is judged anew.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from memtool.core.job.events.memory_kinds import ReaderOrderSet, ReadsTakenOver
from memtool.core.job.job import NEVER_BLANKED, Job
from memtool.core.job.order import Order
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.job.standing import standing_of
from memtool.core.read_options import ReadOptions
from memtool.core.role import Role
from memtool.errors import StoreError, UsageError
from memtool.store.backups import BackupStore
from memtool.store.layouts import read_layout
from memtool.workflow.jobs import OpenJob, append_event, load_backup_reads, open_job
from memtool.workflow.keeping_reads import NewReads, find_counting, keep_reads
from memtool.workflow.loading import load_read
from memtool.workflow.remembering import ID_LENGTH

_GOOD = (StageVerdict.PASS, StageVerdict.INCOMPLETE, StageVerdict.ONLY_COUNTERS_DIFFER)


@dataclass(frozen=True, slots=True, kw_only=True)
class OlderJob:
    """The job whose reads are taken over, and what a new one has from it."""

    opened: OpenJob
    order: Order
    """Facts of the vehicle and the module; work order, authority and technician are new."""
    layouts: tuple[Path, ...]
    """The job's copies of the layouts in use."""


def open_older(folder: Path, store: BackupStore) -> OlderJob:
    """Open the older job and find what comes over beside its reads.

    Raises:
        UsageError: there is no job, or it has no reads.
        JournalError: its journal is broken.
    """
    opened = open_job(folder, store=store.folder)
    job = opened.job
    if not job.backups:
        raise UsageError(
            f"the job in '{folder}' has no reads", code="no-reads", next_step="give READs instead"
        )
    old = job.order
    finished = bool(_find_finished(job))
    chosen = (job.layout_of(memory) for memory in job.memories)
    paths = [opened.folder / each.path for each in chosen if each is not None]
    return OlderJob(
        opened=opened,
        order=Order(
            customer=old.customer,
            plate=old.plate,
            vehicle_vin=old.vehicle_vin,
            vin_exception=old.vin_exception,
            module_kind=old.module_kind,
            also_holds=old.also_holds,
            # The module that was handed over is the one that may have failed now.
            original_part=old.donor_part if finished else old.original_part,
            original_serial=old.donor_serial if finished else old.original_serial,
            donor_serial=None if finished else old.donor_serial,
            donor_receipt=None if finished else old.donor_receipt,
            donor_part=None if finished else old.donor_part,
            donor_source=None if finished else old.donor_source,
        ),
        layouts=tuple(
            path
            for path in paths
            if path.is_file() and read_layout(path).layout.module not in NEVER_BLANKED
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenReads:
    """What comes over, loaded and verified; nothing is written yet."""

    event: ReadsTakenOver
    groups: tuple[NewReads, ...]
    orders: tuple[ReaderOrderSet, ...]
    """How the reader wrote each memory's files, as the older job settled it last."""


def load_taken(older: OlderJob, store: BackupStore, *, reason: str) -> TakenReads:
    """Load the reads that come over, each from its verified copy.

    Raises:
        StoreError: a read of the older job is lost or was changed.
    """
    old = older.opened
    name = old.job.order.work_order
    folder = old.folder.resolve().name
    is_finished = bool(_find_finished(old.job))
    event = ReadsTakenOver(
        job=old.first[:ID_LENGTH],
        folder=folder,
        work_order=name,
        module_kind=old.job.order.module_kind,
        reason=reason,
        sitting=f"handed over in {name or folder}" if is_finished else None,
    )
    groups = _finished_reads(old, store, event) if is_finished else _counting(old, store)
    said = (old.job.order_set(memory) for memory in old.job.memories)
    orders = (each for each in said if each is not None)
    return TakenReads(event=event, groups=tuple(groups), orders=tuple(orders))


def take_over(opened: OpenJob, store: BackupStore, taken: TakenReads, *, now: datetime) -> OpenJob:
    """Record where the reads come from, and back them up in the new job.

    Raises:
        StoreError: not written.
    """
    opened = append_event(opened, taken.event, now=now)
    for said in taken.orders:
        order = ReaderOrderSet(
            memory=said.memory, order=said.order, how=said.how, reason=said.reason
        )
        opened = append_event(opened, order, now=now)
    for group in taken.groups:
        opened = keep_reads(opened, store, group, now)
    return opened


def _find_finished(job: Job) -> dict[str, tuple[str, str, ReadOptions]]:
    """The read after setup of every finished memory: copy, digest, how it is understood."""
    found = {}
    for memory in job.memories:
        last = max((made.number for made in job.blankings_of(memory)), default=0)
        checks = [
            check
            for check in job.stage_checks
            if check.stage is Stage.AFTER_SETUP and check.memory == memory and check.number > last
        ]
        if not checks or checks[-1].copy is None or checks[-1].sha256 is None:
            continue
        if standing_of(job, checks[-1]).verdict in _GOOD:
            bases = [backup.base for backup in job.backups if backup.memory == memory]
            options = ReadOptions(base=bases[-1] if bases else 0, order=checks[-1].order)
            found[memory] = (checks[-1].copy, checks[-1].sha256, options)
    return found


def _finished_reads(old: OpenJob, store: BackupStore, event: ReadsTakenOver) -> Iterator[NewReads]:
    finished = _find_finished(old.job)
    for memory in old.job.memories:
        if memory in finished:
            copy, digest, options = finished[memory]
            read = load_read(old.folder / copy, options)
            if read.image.sha256() != digest:
                raise StoreError(
                    "the older job's copy of its finished read was changed since",
                    code="copy-changed",
                    file=str(old.folder / copy),
                    next_step="put the copy back, or read the module again in a new job",
                )
            reads = (read,)
        else:
            backup = find_counting(old, Role.DONOR, memory)
            if backup is None:
                continue
            reads = (load_backup_reads(store, backup)[0],)
        yield NewReads(
            role=Role.ORIGINAL,
            memory=memory,
            chip=old.job.chip_of(memory),
            reads=reads,
            sitting=event.sitting,
            single_read_reason=f"the finished read of {event.name}",
        )


def _counting(old: OpenJob, store: BackupStore) -> Iterator[NewReads]:
    for role in Role:
        for memory in old.job.memories:
            backup = find_counting(old, role, memory)
            if backup is not None:
                yield NewReads(
                    role=role,
                    memory=memory,
                    chip=backup.chip,
                    reads=tuple(load_backup_reads(store, backup)),
                    single_read_reason=backup.single_read_reason,
                    reseated=backup.reseated,
                    sitting=backup.sitting,
                )
