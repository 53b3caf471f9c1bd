"""The layouts that a job was ever given: the journal remembers what each one guards."""

from __future__ import annotations

from datetime import datetime

from memtool.core.image import Image
from memtool.core.job.events.event import Judged
from memtool.core.job.events.kinds import LayoutChosen, LayoutNamed
from memtool.core.job.events.upgrade import FIRST_TOOL
from memtool.core.job.protection import name_layout
from memtool.core.layouts.layout import Layout
from memtool.core.records.placing import place_records
from memtool.errors import StoreError
from memtool.store.layouts import LoadedLayout, read_layout
from memtool.workflow.jobs import FILES, OpenJob, append_event, relative_to_job
from memtool.workflow.writing import NewFile, choose_path, write_files


def remember_layout(
    opened: OpenJob,
    loaded: LoadedLayout,
    memory: str | None,
    now: datetime,
    *,
    image: Image | None = None,
) -> OpenJob:
    """Add to the journal that a layout was named, once for each memory and content.

    This is done before the layout is used, so that a command which it makes refuse, or that
    is broken off, leaves what it says in the job. With `image` what the layout's record stores
    guard in it is noted, too.

    Raises:
        StoreError: not written.
    """
    layout = loaded.layout if image is None else place_records(loaded.layout, image)
    event = name_layout(layout, sha256=loaded.sha256, memory=memory)
    known = ((each.sha256, each.memory) for each in opened.job.named_layouts)
    if (event.sha256, event.memory) in known:
        return opened
    return append_event(opened, event, now=now)


def keep_layout(
    opened: OpenJob, loaded: LoadedLayout, memory: str | None, now: datetime
) -> OpenJob:
    """Copy the layout into the job, so that the journal stays whole when the file moves."""
    memory = memory or opened.job.find_memory(loaded.layout.chip)
    chosen = opened.job.layout_of(memory)
    if chosen is not None and chosen.sha256 == loaded.sha256:
        return opened
    path = choose_path(opened, opened.folder / FILES, "layout", ".toml", loaded.sha256)
    name = relative_to_job(opened, path)
    event = LayoutChosen(
        memory=memory,
        judged=Judged(layout=loaded.sha256),
        name=loaded.layout.name,
        path=name,
        sha256=loaded.sha256,
        reviewed=loaded.layout.reviewed,
    )
    new = [NewFile(path=path, data=loaded.data)]
    return write_files(opened, event, new, files=[(name, loaded.sha256)], now=now)


def find_named(opened: OpenJob) -> tuple[LayoutNamed, ...]:
    """Every layout that a person named in the job, or that a sum in an image spoke for.

    Version 0.1.0 noted only those that were used; their copies are read.

    Raises:
        StoreError: a copy is not what the journal says.
    """
    old = [chosen for chosen in opened.job.layouts if chosen.tool == FIRST_TOOL]
    return (*opened.job.named_layouts, *_read_copies(opened, [chosen.sha256 for chosen in old]))


def find_chosen(opened: OpenJob, image: Image | None = None) -> tuple[LayoutNamed, ...]:
    """The layouts that the job used without anybody naming them; they guard, and ban nothing.

    With `image`, also those with record stores that were named: what these guard lies at other
    addresses in each image.

    Raises:
        StoreError: a copy is not what the journal says.
    """
    named = {each.sha256 for each in find_named(opened)}
    others = [chosen.sha256 for chosen in opened.job.layouts if chosen.sha256 not in named]
    return _read_copies(opened, others, image)


def find_described(opened: OpenJob, memory: str | None) -> tuple[Layout, ...]:
    """The layouts that the job ever used for a memory, from its copies.

    Raises:
        StoreError: a copy is not what the journal says.
    """
    return tuple(
        read_copy(opened, chosen).layout
        for chosen in opened.job.layouts
        if memory is None or chosen.memory in (None, memory)
    )


def read_copy(opened: OpenJob, chosen: LayoutChosen) -> LoadedLayout:
    """The job's own copy of a layout that it used.

    Raises:
        StoreError: it is lost, or not what the journal says.
    """
    path = opened.folder / chosen.path
    if not path.is_file() or (loaded := read_layout(path)).sha256 != chosen.sha256:
        raise StoreError(
            "the job's copy of a layout is lost or was changed, so what it guards is unknown",
            code="layout-changed",
            file=str(path),
            next_step="put the copy back, or open a new job with 'benchimage start --from'",
        )
    return loaded


def _read_copies(
    opened: OpenJob, digests: list[str], image: Image | None = None
) -> tuple[LayoutNamed, ...]:
    found = []
    for chosen in opened.job.layouts:
        if image is None and chosen.sha256 not in digests:
            continue
        loaded = read_copy(opened, chosen)
        if chosen.sha256 not in digests and not loaded.layout.records:
            continue
        layout = loaded.layout if image is None else place_records(loaded.layout, image)
        found.append(
            name_layout(layout, sha256=loaded.sha256, memory=chosen.memory, number=chosen.number)
        )
    return tuple(found)
