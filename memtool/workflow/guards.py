"""What a job as a whole knows: its VINs, what it guards, and what bans blanking in it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from memtool.core.image import Image
from memtool.core.job.bans import find_bans
from memtool.core.job.events.kinds import LayoutNamed
from memtool.core.job.job import Job
from memtool.core.job.noted_vins import list_vins
from memtool.core.job.protection import NOT_YET, Guarded, find_guarded, name_layout
from memtool.core.job.stages.before_writing import Guards
from memtool.core.job.whose import OneRead
from memtool.core.records.placing import place_records
from memtool.core.role import Role
from memtool.store.backups import BackupStore
from memtool.store.layouts import LoadedLayout
from memtool.workflow.jobs import OpenJob, load_backup, load_backup_reads
from memtool.workflow.keeping_reads import read_times_of
from memtool.workflow.named_layouts import find_chosen, find_named


def find_job_vins(opened: OpenJob, store: BackupStore) -> tuple[str, ...]:
    """The vehicle's VIN first, then every other one that was ever on the order or in a read.

    Raises:
        StoreError: the store has lost or changed a read.
    """
    return list_job_vins(opened.job, load_images(opened, store).values())


def load_images(opened: OpenJob, store: BackupStore) -> dict[int, tuple[Image, ...]]:
    """The images of all reads of the job, those of equal reads once, by their backup's number.

    Raises:
        StoreError: the store has lost or changed a read.
    """
    found: dict[int, tuple[Image, ...]] = {}
    for backup in opened.job.backups:
        reads = load_backup_reads(store, backup)
        found[backup.number] = tuple({id(read.image): read.image for read in reads}.values())
    return found


def list_job_vins(job: Job, images: Iterable[Sequence[Image]]) -> tuple[str, ...]:
    """As `find_job_vins`, of the images that `load_images` gave."""
    found = [text for each in images for image in each for text in list_vins(image, job)]
    gone = [text for made in job.blankings for text in made.identities]
    vehicles = [job.order.vehicle_vin, *job.former_vins]
    return tuple(dict.fromkeys(text for text in (*vehicles, *found, *gone) if text))


def find_donor_vins(opened: OpenJob, store: BackupStore) -> tuple[str, ...]:
    """Every VIN that a read of the donor holds, or that a blanking took out of it.

    Raises:
        StoreError: the store has lost or changed a read.
    """
    images = [load_backup(store, backup)[1].image for backup in opened.job.backups_of(Role.DONOR)]
    found = [text for image in images for text in list_vins(image, opened.job)]
    gone = [text for made in opened.job.blankings for text in made.identities]
    return tuple(dict.fromkeys([*found, *gone]))


def find_guards(
    opened: OpenJob,
    store: BackupStore,
    memory: str | None,
    layout: LoadedLayout | None,
    image: Image | None,
) -> Guards:
    """What the job says of one memory, with the layout that is used now.

    Args:
        opened: The job.
        store: Where its backups are.
        memory: Its name.
        layout: The one that is used.
        image: The donor's: where the records lie that a layout guards.

    Raises:
        StoreError: a read or a copy of a layout is lost or was changed.
    """
    used = _as_named(layout, memory, image)
    job = opened.job
    donor = job.newest_backup(Role.DONOR, memory)
    return Guards(
        guarded=find_guarded_of(opened, memory, layout, image),
        settled=job.settled_in(memory, None if donor is None else donor.sha256),
        known=find_job_vins(opened, store),
        bans=find_bans(job, (*find_named(opened), *used)),
        not_read=job.not_read(memory),
    )


def find_guarded_of(
    opened: OpenJob,
    memory: str | None,
    layout: LoadedLayout | None = None,
    image: Image | None = None,
) -> tuple[Guarded, ...]:
    """What is not to be touched of one memory, or of any; by `layout` as well.

    With `image` also what lies in its record stores.

    Raises:
        StoreError: a copy of a layout is lost or was changed.
    """
    named = (*find_named(opened), *find_chosen(opened, image), *_as_named(layout, memory, image))
    return find_guarded(
        [each for each in named if memory is None or each.memory in (None, memory)],
        released=[each.span for each in opened.job.releases if each.memory == memory],
    )


def find_guarded_in(
    opened: OpenJob,
    memory: str | None,
    images: Sequence[Image],
    layout: LoadedLayout | None = None,
) -> tuple[Guarded, ...]:
    """As `find_guarded_of`, wherever the records lie in any of several images.

    Raises:
        StoreError: a copy of a layout is lost or was changed.
    """
    if not images:
        return find_guarded_of(opened, memory, layout)
    found = (find_guarded_of(opened, memory, layout, image) for image in images)
    return tuple(dict.fromkeys(each for guarded in found for each in guarded))


def _as_named(
    layout: LoadedLayout | None, memory: str | None, image: Image | None
) -> tuple[LayoutNamed, ...]:
    if layout is None:
        return ()
    placed = layout.layout if image is None else place_records(layout.layout, image)
    return (name_layout(placed, sha256=layout.sha256, memory=memory, number=NOT_YET),)


def find_reads(opened: OpenJob, store: BackupStore, memory: str | None) -> tuple[OneRead, ...]:
    """Every read that counts of one memory of every module, from the stored copies.

    Raises:
        StoreError: the store has lost or changed one.
    """
    return tuple(
        OneRead(role=role, image=read.image, name=name, modified=modified)
        for role in Role
        # The newest backup holds all reads that count.
        for backup in [each for each in opened.job.backups_of(role, memory) if each.voted is None][
            -1:
        ]
        for read, name, modified in zip(
            load_backup_reads(store, backup), backup.names, read_times_of(backup), strict=True
        )
    )
