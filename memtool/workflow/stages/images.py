"""The images that a stage looks at: the job's own, and reads that come from outside."""

from __future__ import annotations

from pathlib import Path

from memtool.core.finding import Check
from memtool.core.image import Image
from memtool.core.job.events.kinds import ImageBlanked, ReadsBackedUp
from memtool.core.job.stage import Stage
from memtool.core.job.stages.read_time import check_given_before, check_read_time
from memtool.core.layouts.layout import Layout
from memtool.core.read_options import PLAIN
from memtool.core.role import Role
from memtool.errors import RefusalError, UsageError
from memtool.store.backups import BackupStore
from memtool.workflow.jobs import (
    OpenJob,
    is_own_file,
    load_backup,
    load_named,
    load_role,
    split_image_name,
)
from memtool.workflow.loading import LoadedRead, in_order
from memtool.workflow.stages.request import CheckRequest


def judging_layout(request: CheckRequest) -> Layout | None:
    """The job's layout, where a person has reviewed it: a guess judges nothing."""
    layout = request.layout.layout if request.layout else None
    return layout if layout is not None and layout.reviewed else None


def load_image(
    request: CheckRequest, store: BackupStore, memory: str | None, name: str
) -> LoadedRead:
    read = load_named(name, request.options, opened=request.opened, store=store, chip=memory)
    if split_image_name(request.opened, name) is not None or read.options.order != PLAIN:
        return read
    return in_order(read, request.reader_order or request.opened.job.reader_order(memory))


def require_read(
    request: CheckRequest, store: BackupStore, role: Role, memory: str | None
) -> tuple[ReadsBackedUp, LoadedRead]:
    """The newest backup of that role and memory.

    Raises:
        UsageError: the job keeps no such read.
    """
    """The image that a name stands for, of the memory that is meant."""
    found = load_role(request.opened, store, role, memory)
    if found is None:
        raise UsageError(
            f"this job keeps no read of the {role}",
            code="no-such-role",
            next_step=f"add its reads with 'benchimage start --{role} READ'",
        )
    return found


def judged_part(request: CheckRequest, memory: str | None, image: Image) -> Image:
    """The image without what the reader could not give: that is undefined, and not judged."""
    return image.without(request.opened.job.not_read(memory))


def donor_of(
    request: CheckRequest, store: BackupStore, memory: str | None, blanking: ImageBlanked | None
) -> tuple[ReadsBackedUp, LoadedRead]:
    """The donor backup that a blanking was made from; without one the newest."""
    for made in request.opened.job.backups_of(Role.DONOR, memory):
        if blanking is not None and made.backup == blanking.backup:
            return made, load_backup(store, made)[1]
    return require_read(request, store, Role.DONOR, memory)


def load_from_outside(
    request: CheckRequest, store: BackupStore, memory: str | None, name: str
) -> LoadedRead:
    """A read of the module: a file that no command of this job made.

    Raises:
        RefusalError: it is one of the job's images by any of its names, or a file that the job's
            commands wrote or its store keeps, by path or by link.
    """
    if request.kept is not None and request.kept.read is not None:
        return request.kept.read
    opened = request.opened
    if split_image_name(opened, name) is not None:
        raise _not_a_read(f"'{name}' stands for an image of the job itself", name)
    read = load_image(request, store, memory, name)
    require_foreign(opened, store, Path(name))
    return read


def check_time(
    request: CheckRequest,
    read: LoadedRead,
    *,
    stage: Stage,
    memory: str | None,
    made: tuple[str | None, str],
    is_equal: bool,
) -> tuple[Check, ...]:
    """What the time of the read's file says, against when `made` was, which is named there."""
    return (
        *check_read_time(read.modified, made=made[0], what=made[1], is_equal=is_equal),
        *check_given_before(
            request.opened.job,
            stage=stage,
            memory=memory,
            sha256=read.image.sha256(),
            modified=read.modified,
        ),
    )


def require_foreign(opened: OpenJob, store: BackupStore, path: Path) -> None:
    """Refuse an existing file that no reader made.

    Raises:
        RefusalError: the job's commands wrote it or its store keeps it, by path or by link.
    """
    if is_own_file(opened, store.folders, path):
        what = "this is one of the files that benchimage wrote or keeps"
        raise _not_a_read(what, str(path))


def _not_a_read(what: str, name: str) -> RefusalError:
    return RefusalError(
        f"{what}, and no read of the module",
        code="not-a-read",
        file=name,
        next_step="read the module again and give the file that your reader made",
    )
