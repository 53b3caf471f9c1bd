"""Reads come into a job: each is backed up, and all of one memory count together.

A backup of the job holds every read of its memory, module and sitting that counts. A
further read makes a new backup of all of them, so that nobody argues a read away by giving
others; only a person withdraws one, with a reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from memtool.core.chip import find_chip
from memtool.core.finding import Finding, Severity
from memtool.core.health.agreement import compare_reads
from memtool.core.health.all_checks import find_health
from memtool.core.job.backup import BackupRead
from memtool.core.job.events.event import Judged
from memtool.core.job.events.kinds import ReadsBackedUp
from memtool.core.job.events.memory_kinds import ReadWithdrawn
from memtool.core.job.order import Order
from memtool.core.read_options import PLAIN, ImageFormat
from memtool.core.role import Role
from memtool.core.span import Span
from memtool.core.texts.known_identity import find_vins
from memtool.errors import UsageError
from memtool.store.backups import BackupStore, NewRead
from memtool.workflow.jobs import OpenJob, append_event, load_stored, stamp
from memtool.workflow.loading import LoadedRead

_LEAST_OF_DIGEST = 6
_MOST_SPANS = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class NewReads:
    """Reads of one memory of one module, as a person gave them."""

    role: Role
    memory: str
    chip: str
    reads: tuple[LoadedRead, ...] = ()
    withdrawn: tuple[tuple[int, BackupRead], ...] = ()
    """Which of the reads that count so far do so no more: place among them, and read."""
    reason: str | None = None
    """Why these are withdrawn."""
    sitting: str | None = None
    """None: the sitting of the reads before."""
    single_read_reason: str | None = None
    reseated: str | None = None


def find_counting(
    opened: OpenJob, role: Role, memory: str, sitting: str | None = None
) -> ReadsBackedUp | None:
    """The backup that holds the reads which count so far; None where a new count starts."""
    backups = tuple(
        backup for backup in opened.job.backups_of(role, memory) if backup.voted is None
    )
    taken = opened.job.taken_over
    if taken is not None and taken.sitting is not None and role is Role.ORIGINAL:
        # What an older job handed over is a baseline; reads of today do not count with it.
        backups = tuple(backup for backup in backups if backup.sitting != taken.sitting)
    if sitting is not None:
        backups = tuple(backup for backup in backups if backup.sitting == sitting)
    return backups[-1] if backups else None


def list_counting(opened: OpenJob) -> tuple[tuple[Role, str, str], ...]:
    """The reads that count so far: role, memory and file name of each."""
    found = (
        (module.role, memory.name, find_counting(opened, module.role, memory.name))
        for module in opened.job.modules
        for memory in module.memories
    )
    return tuple(
        (role, memory, name)
        for role, memory, backup in found
        if backup is not None
        for name in backup.names
    )


def find_read(
    opened: OpenJob, store: BackupStore, asked: str
) -> tuple[Role, str, tuple[int, BackupRead]]:
    """The one read of this job that counts and that a person means: by file name or digest.

    Returns:
        Role, memory, and (place among the reads that count, read).

    Raises:
        UsageError: none is meant, or several.
        StoreError: the store has lost its record.
    """
    name, digits = Path(asked).name, asked.lower()
    found = []
    for module in opened.job.modules:
        for memory in module.memories:
            counting = find_counting(opened, module.role, memory.name)
            if counting is None:
                continue
            for place, stored in enumerate(store.entry(counting.backup).reads):
                # The store keeps a read once, under the name that the first job gave it.
                read = replace(stored, name=counting.names[place])
                digests = (read.sha256, read.file_sha256)
                by_digest = len(digits) >= _LEAST_OF_DIGEST and any(
                    digest.startswith(digits) for digest in digests
                )
                if read.name == name or by_digest:
                    found.append((module.role, memory.name, (place, read)))
    if len(found) == 1:
        return found[0]
    which = (
        "several reads of this job match" if found else "no read that counts in this job matches"
    )
    raise UsageError(
        f"{which} '{asked}'",
        code="which-read",
        next_step="see their names with 'benchimage job show'"
        + (", or give the first digits of its digest" if found else ""),
    )


def keep_reads(opened: OpenJob, store: BackupStore, new: NewReads, now: datetime) -> OpenJob:
    """Back the reads up together with those that count already, and record it.

    A file that counts already, by name and content, is not counted again.

    Raises:
        UsageError: nothing is left that counts.
        StoreError: a backup could not be made, or an older one is lost.
    """
    counting = find_counting(opened, new.role, new.memory, new.sitting)
    before: tuple[BackupRead, ...] = ()
    if counting is not None:
        before = tuple(
            replace(read, name=name)
            for read, name in zip(store.entry(counting.backup).reads, counting.names, strict=True)
        )
    gone = {place for place, _ in new.withdrawn}
    stay = [place for place in range(len(before)) if place not in gone]
    known = {(read.name, read.file_sha256) for read in before}
    added = [read for read in new.reads if (Path(read.path).name, read.file_sha256) not in known]
    if not stay and not added:
        raise UsageError(
            f"this leaves no read of the {new.role.value}'s {new.memory}",
            code="no-read-left",
            next_step="give the read that takes its place in the same call",
        )
    reason = new.single_read_reason
    if counting is not None and reason is None:
        reason = counting.single_read_reason
    total = len(stay) + len(added)
    reason = reason if total == 1 else None
    if counting is not None and not added and not gone and reason == counting.single_read_reason:
        return opened
    if counting is not None:
        for _, read in new.withdrawn:
            assert new.reason is not None
            opened = append_event(
                opened,
                ReadWithdrawn(
                    memory=new.memory,
                    judged=Judged(backups=(counting.backup,), reads=(read.sha256,)),
                    role=new.role,
                    backup=counting.backup,
                    name=read.name,
                    sha256=read.sha256,
                    reason=new.reason,
                ),
                now=now,
            )
    old = []
    if counting is not None:
        times = read_times_of(counting)
        old = [
            load_stored(store, counting, place)._replace(
                path=counting.names[place],
                modified=times[place],
            )
            for place in stay
        ]
    return _back_up(opened, store, new, old, added, reason, now)


def keep_again(
    opened: OpenJob,
    store: BackupStore,
    role: Role,
    memory: str,
    reads: Sequence[LoadedRead],
    now: datetime,
) -> OpenJob:
    """Back up again the reads that count, since they are understood in another way now.

    Raises:
        StoreError: not kept.
    """
    counting = find_counting(opened, role, memory)
    assert counting is not None
    same = NewReads(
        role=role,
        memory=memory,
        chip=counting.chip,
        sitting=counting.sitting,
        reseated=counting.reseated,
    )
    return _back_up(opened, store, same, reads, (), counting.single_read_reason, now)


def _back_up(
    opened: OpenJob,
    store: BackupStore,
    new: NewReads,
    old: Sequence[LoadedRead],
    added: Sequence[LoadedRead],
    reason: str | None,
    now: datetime,
) -> OpenJob:
    reads = [*old, *added]
    chip = new.chip
    entry = store.add(
        [new_read(read) for read in reads],
        role=new.role,
        chip=chip,
        single_read_reason=reason,
        added=stamp(now),
    )
    findings: list[Finding] = [
        *find_health(
            reads[0].image,
            chip=find_chip(chip),
            vin_texts=expected_vins(opened.job.order, new.role),
            claimed_new=new.role is Role.REFERENCE,
        )
    ]
    differing: tuple[Span, ...] = ()
    if len(reads) > 1:
        agreement = compare_reads([read.image for read in reads])
        findings += agreement.findings
        differing = _short(agreement.spans)
    last = find_counting(opened, new.role, new.memory)
    sitting = new.sitting if new.sitting or last is None else last.sitting
    digests = tuple(read.image.sha256() for read in reads)
    is_plain = all(read.options.order == PLAIN for read in reads)
    event = ReadsBackedUp(
        memory=new.memory,
        judged=Judged(backups=(entry.id,), reads=digests),
        backup=entry.id,
        role=new.role,
        chip=chip,
        sha256=entry.sha256,
        size=reads[0].image.size,
        format=reads[0].format.value,
        base=entry.reads[0].options.base,
        read_count=len(reads),
        agree=entry.agree,
        single_read_reason=entry.single_read_reason,
        reseated=new.reseated if len(reads) > 1 else None,
        names=tuple(Path(read.path).name for read in reads),
        findings=tuple(item.text for item in findings if item.severity is not Severity.INFO),
        read_digests=digests,
        sitting=sitting,
        given=len(added),
        orders=() if is_plain else tuple(read.options.order for read in reads),
        vins=tuple(dict.fromkeys(vin.text for vin in find_vins(reads[0].image))),
        read_times=tuple(read.modified for read in reads),
        differing=differing,
    )
    files = [(read.path, read.file_sha256) for read in added]
    return append_event(opened, event, files=files, now=now)


def _short(spans: Sequence[Span]) -> tuple[Span, ...]:
    """The spans, or one over all of them where they are too many for the journal."""
    if len(spans) <= _MOST_SPANS:
        return tuple(spans)
    return (Span(min(span.start for span in spans), max(span.end for span in spans)),)


def read_times_of(backup: ReadsBackedUp) -> tuple[int | None, ...]:
    """When the file of each read was changed last; None where an older version noted nothing."""
    return backup.read_times or (None,) * len(backup.names)


def expected_vins(order: Order, role: Role) -> tuple[str, ...]:
    """The VIN that a read of this role should hold, where one is known."""
    return (order.vehicle_vin,) if role is Role.ORIGINAL and order.vehicle_vin else ()


def new_read(read: LoadedRead) -> NewRead:
    """A loaded file in the shape that the backup store takes."""
    extent = read.image.extent
    # The person's base counts for raw files alone; the other formats bring their own.
    base = extent.start if extent and read.format is ImageFormat.RAW else 0
    return NewRead(
        name=Path(read.path).name,
        data=read.data,
        file_sha256=read.file_sha256,
        sha256=read.image.sha256(),
        size=read.image.size,
        options=replace(read.options, format=read.format, base=base),
    )
