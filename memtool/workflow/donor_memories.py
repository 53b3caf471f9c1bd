"""Which memories of the donor are meant, and by which layout each is looked at."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from memtool.core.chip import is_same_chip
from memtool.core.role import Role
from memtool.errors import UsageError
from memtool.store.layouts import LoadedLayout, read_layout
from memtool.workflow.jobs import OpenJob, split_image_name
from memtool.workflow.layout_choice import choose_layout
from memtool.workflow.loading import LoadedRead


def image_names(opened: OpenJob | None, name: str, *, named: str | None) -> list[str]:
    """The images that `name` stands for: one for each memory, where it names a whole module.

    Args:
        opened: The job, if there is one.
        name: ``donor``, ``donor/eeprom``, or a path.
        named: The chip that was named with ``--chip``; it means one memory.
    """
    parts = None if opened is None else split_image_name(opened, name)
    if opened is None or parts != (Role.DONOR.value, None) or named is not None:
        return [name]
    memories = opened.job.module(Role.DONOR).memories
    if len(memories) < 2:
        return [name]
    return [f"{name}/{memory.name}" for memory in memories]


def memory_of(opened: OpenJob | None, name: str, read: LoadedRead, named: str | None) -> str | None:
    """The job's memory that an image is of: as its name says, or of a backup that holds it.

    Args:
        opened: The job, if there is one.
        name: What the person gave: ``donor/eeprom``, or a path.
        read: The image that `name` stands for.
        named: The chip that was named with ``--chip``.
    """
    if opened is None:
        return None
    parts = split_image_name(opened, name)
    if parts is not None and parts[1] is not None:
        return parts[1]
    digest = read.image.sha256()
    same = [backup for backup in opened.job.backups if backup.sha256 == digest]
    donors = [backup for backup in same if backup.role is Role.DONOR]
    found = donors or same
    if found:
        return found[-1].memory
    return None if named is None else opened.job.find_memory(named)


def layouts_of(
    named: Path | None,
    reads: Sequence[LoadedRead],
    memories: Sequence[str | None],
    opened: OpenJob | None,
) -> list[LoadedLayout | None]:
    """The layout of each memory: the one that was named, where it is for that chip; or the job's.

    Raises:
        UsageError: there are several memories, and the named layout is for none of them.
        LayoutError: the named file, or the job's copy, is no valid layout.
        StoreError: the job's copy is not what the journal says.
    """
    if named is None or len(reads) == 1:
        return [
            choose_layout(None, named=named, opened=opened, chip=memory).loaded
            for memory in memories
        ]
    loaded = read_layout(named)
    chips = [
        opened.job.chip_of(memory) if opened is not None and memory is not None else None
        for memory in memories
    ]
    meant = [chip is not None and is_same_chip(chip, loaded.layout.chip) for chip in chips]
    if not any(meant):
        raise UsageError(
            f"the layout is for a {loaded.layout.chip}, and no memory of the donor is one",
            code="layout-of-no-memory",
            file=str(named),
            next_step="name the layout of one of its memories",
        )
    return [
        loaded if is_meant else choose_layout(None, named=None, opened=opened, chip=memory).loaded
        for is_meant, memory in zip(meant, memories, strict=True)
    ]
