"""The image that most reads of one memory agree on, recorded as what it is: a vote."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from memtool.core.health.agreement import (
    ByteDifference,
    Majority,
    compare_reads,
    majority_image,
)
from memtool.core.image import Image
from memtool.core.job.conversion_rules import require_voted_vins
from memtool.core.job.events.event import Judged
from memtool.core.job.events.kinds import ReadsBackedUp, Vote
from memtool.core.job.protection import spans_of_kind
from memtool.core.layouts.region import RegionKind
from memtool.core.names import file_stem
from memtool.core.read_options import ReadOptions
from memtool.core.role import Role
from memtool.core.span import Span, count_addresses, format_address, subtract_spans
from memtool.core.texts.known_identity import find_vins
from memtool.core.words import count_of
from memtool.errors import InputError, RefusalError, UsageError
from memtool.formats.codec import ImageFormat, encode_image
from memtool.store.backups import BackupStore
from memtool.store.reading import compute_sha256
from memtool.workflow.guards import find_guarded_in
from memtool.workflow.jobs import FILES, OpenJob, load_backup_reads, relative_to_job, stamp
from memtool.workflow.judging_again import judge_again
from memtool.workflow.keeping_reads import find_counting, new_read
from memtool.workflow.loading import LoadedRead, parse_content
from memtool.workflow.writing import NewFile, choose_path, write_files

FEWEST_READS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class MajorityDone:
    """A vote that was taken and recorded."""

    opened: OpenJob
    """The job with the vote on record."""
    event: ReadsBackedUp
    file: str
    """The image's file inside the job's folder."""
    names: tuple[str, ...]
    """Of the reads, in the order of the values."""
    doubtful_bytes: int
    differences: tuple[ByteDifference, ...]
    """The first 1,000 doubtful addresses with each read's value."""
    image: Image
    hidden: tuple[Span, ...]
    """Protected addresses, whose values are not shown."""
    cause: str
    """Why the reads differ, most likely: sentences."""
    more_reads: int | None
    """How many further reads would make every byte safe, as far as that can be said."""


def decide_majority(
    opened: OpenJob, store: BackupStore, role: Role, memory: str, *, now: datetime
) -> MajorityDone:
    """Vote on every byte of the reads that count, and back the image up.

    Raises:
        UsageError: fewer than three reads count, or they agree.
        RefusalError: a byte has no majority, a VIN would be put together, or the reads do
            not define the same addresses.
        StoreError: a read is lost, or the image was not kept.
    """
    counting = find_counting(opened, role, memory)
    if counting is None or counting.read_count < FEWEST_READS:
        count = 0 if counting is None else counting.read_count
        raise UsageError(
            f"{count_of(count, 'read')} of the {role.value}'s {memory} cannot form a majority,"
            " three can",
            code="majority-reads",
            next_step=f"add more with 'benchimage start --{role.value} READ'",
        )
    reads = load_backup_reads(store, counting)
    images = [read.image for read in reads]
    not_read = opened.job.not_read(memory)
    agreement = compare_reads([image.without(not_read) for image in images])
    if agreement.agree:
        raise UsageError(
            f"all {len(reads)} reads of the {role.value}'s {memory} are identical",
            code="reads-agree",
            next_step="there is nothing to decide; go on with it",
        )
    voted = _vote(images, role, memory, not_read)
    doubtful = count_addresses(subtract_spans(voted.doubtful, not_read))
    reason = f"decided byte by byte from {len(reads)} reads, {count_of(doubtful, 'byte')} doubtful"
    read, new = _make_file(opened, voted.image, file_stem("majority", role.value, memory))
    entry = store.add(
        [new_read(read)],
        role=role,
        chip=counting.chip,
        single_read_reason=reason,
        added=stamp(now),
    )
    digest = voted.image.sha256()
    event = ReadsBackedUp(
        memory=memory,
        judged=Judged(
            backups=(counting.backup, entry.id), reads=tuple(image.sha256() for image in images)
        ),
        backup=entry.id,
        role=role,
        chip=counting.chip,
        sha256=digest,
        size=voted.image.size,
        format=read.format.value,
        base=entry.reads[0].options.base,
        read_count=len(reads),
        agree=None,
        single_read_reason=reason,
        names=(new.path.name,),
        findings=tuple(item.text for item in agreement.findings),
        read_digests=(digest,),
        sitting=counting.sitting,
        given=0,
        vins=tuple(dict.fromkeys(vin.text for vin in find_vins(voted.image))),
        voted=Vote(backup=counting.backup, doubtful=doubtful),
    )
    name = relative_to_job(opened, new.path)
    written = write_files(opened, event, [new], files=[(name, new.sha256)], now=now)
    written = judge_again(written, store, now=now)
    made = written.job.newest_backup(role, memory)
    assert made is not None
    return MajorityDone(
        opened=written,
        event=made,
        file=name,
        names=tuple(read.path for read in reads),
        doubtful_bytes=doubtful,
        differences=agreement.differences,
        image=voted.image,
        hidden=spans_of_kind(
            find_guarded_in(written, memory, [*images, voted.image]), RegionKind.PROTECTED
        ),
        cause=" ".join(finding.text for finding in agreement.findings),
        more_reads=agreement.more_reads,
    )


def _vote(images: Sequence[Image], role: Role, memory: str, not_read: Sequence[Span]) -> Majority:
    try:
        voted = majority_image(images)
    except InputError as error:
        raise RefusalError(error.message, code=error.code, next_step=error.next_step) from error
    undecided = subtract_spans(voted.undecided, not_read)
    if undecided:
        first = undecided[0]
        raise RefusalError(
            f"{count_of(count_addresses(undecided), 'byte')} of the {role.value}'s {memory}"
            f" have no majority, the first at {format_address(first.start)}",
            code="no-majority",
            next_step=f"read it again and add the read with 'benchimage start --{role.value} READ'",
            address=first.start,
        )
    require_voted_vins(images, voted.image)
    return voted


def _make_file(opened: OpenJob, image: Image, stem: str) -> tuple[LoadedRead, NewFile]:
    """The voted image as a file of the job, and as a read that the store can keep."""
    is_raw = len(image.segments) == 1
    format_ = ImageFormat.RAW if is_raw else ImageFormat.INTEL_HEX
    data = encode_image(image, format_)
    digest = compute_sha256(data)
    suffix = ".bin" if is_raw else ".hex"
    path = choose_path(opened, opened.folder / FILES, stem, suffix, digest)
    base = image.segments[0].start if is_raw else 0
    options = ReadOptions(format=format_, base=base)
    return parse_content(path.name, data, digest, options), NewFile(path=path, data=data)
