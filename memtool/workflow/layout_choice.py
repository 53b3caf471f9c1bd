"""Which layout a job or an image is looked at with, and why."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.chip import find_chip
from memtool.core.image import Image
from memtool.errors import InputError, RefusalError, StoreError
from memtool.store.layouts import (
    Library,
    LoadedLayout,
    default_layout_folder,
    read_layout,
    read_library,
)
from memtool.workflow.late import layout_fit, named_layouts, placing

if TYPE_CHECKING:
    from memtool.core.layouts.layout import Layout
    from memtool.workflow.jobs import OpenJob


class LayoutChoice(NamedTuple):
    """The layout that is used, or none, and the reason, a sentence with full stop."""

    loaded: LoadedLayout | None
    reason: str
    by_pattern_alone: bool = False
    """Whether it comes from the library and no sum in the image speaks for it."""
    broken: tuple[InputError, ...] = ()
    """Files of the library that are no valid layouts: they were passed over, and are named."""


def choose_given(loaded: LoadedLayout) -> LayoutChoice:
    """The layout that a person named."""
    return LayoutChoice(loaded=loaded, reason="The layout was given with --layout.")


def choose_layout(
    image: Image | None,
    *,
    named: Path | None,
    opened: OpenJob | None = None,
    chip: str | None = None,
    memory: str | None = None,
    part_number: str | None = None,
) -> LayoutChoice:
    """The layout named by the person; else the job's; else the best of the user's library.

    Args:
        image: What the library's layouts are tried on; None: the library is not asked.
        named: ``--layout``.
        opened: The job, if there is one.
        chip: As the person named it.
        memory: Of the job; None: the first one with that chip.
        part_number: From the module's label.

    Raises:
        UsageError: there is no such file.
        LayoutError: the named file, or the job's copy, is no valid layout.
        StoreError: the job's copy is not what the journal says.
    """
    if named is not None:
        return choose_given(read_layout(named))
    chosen = None
    if opened is not None and (memory or chip) is not None:
        chosen = opened.job.layout_of(memory or chip or "")
    if opened is not None and chosen is not None:
        loaded = read_layout(opened.folder / chosen.path)
        if loaded.sha256 != chosen.sha256:
            raise StoreError(
                "the job's copy of its layout was changed",
                code="layout-changed",
                file=str(opened.folder / chosen.path),
                next_step="choose the layout again with --layout FILE",
            )
        return LayoutChoice(loaded=loaded, reason="It is the layout that the job uses.")
    if image is None:
        return LayoutChoice(loaded=None, reason="No layout given.")
    library = read_library(default_layout_folder())
    choice = _from_library(library, image, chip, part_number)
    return choice._replace(broken=library.broken)


def find_library_layout(images: Iterable[Image], *, chip: str) -> Layout | None:
    """The library's layout of which a sum holds in one of these images, first come; or None.

    Args:
        images: One read as it may be seen, in each order that a reader may write.
        chip: Of its memory.
    """
    library = read_library(default_layout_folder())
    if not library.layouts:
        return None
    for image in images:
        choice = _from_library(library, image, chip, None)
        if choice.loaded is not None and not choice.by_pattern_alone:
            return choice.loaded.layout
    return None


def require_job_layout(opened: OpenJob, named: Path, *, now: datetime) -> OpenJob:
    """Refuse any layout but the job's own: it alone judges a stage. What it guards counts.

    Returns:
        The job, which remembers that this layout was named.

    Raises:
        RefusalError: the job uses another one, or none.
        LayoutError: the named file is no valid layout.
    """
    used = (opened.job.layout_of(memory) for memory in opened.job.memories)
    loaded = read_layout(named)
    memory = opened.job.find_memory(loaded.layout.chip)
    known = memory if memory in opened.job.memories else None
    opened = named_layouts.remember_layout(opened, loaded, known, now)
    if loaded.sha256 not in {chosen.sha256 for chosen in used if chosen is not None}:
        raise RefusalError(
            "this is not the layout that the job uses, and a check is made with the job's alone",
            code="other-layout",
            file=str(named),
            next_step="make it the job's layout with 'benchimage start --layout FILE'",
        )
    return opened


def _from_library(
    library: Library, image: Image, chip: str | None, part_number: str | None
) -> LayoutChoice:
    if not library.layouts:
        reason = "No layout given, and your layout library is empty."
        return LayoutChoice(loaded=None, reason=reason)
    # A layout's record stores speak for it where their checksums hold in this image.
    placed = [(placing.place_records(loaded.layout, image), loaded) for loaded in library.layouts]
    by_layout = {id(layout): loaded for layout, loaded in placed}
    ranking = layout_fit.rank_layouts(
        [layout for layout, _ in placed],
        image,
        chip=find_chip(chip) if chip else None,
        part_number=part_number,
    )
    if len(ranking.best) != 1:
        return LayoutChoice(loaded=None, reason=ranking.reason)
    best = ranking.best[0]
    return LayoutChoice(
        loaded=by_layout[id(best.layout)],
        reason=ranking.reason,
        by_pattern_alone=not best.evidence_bits,
    )
