"""Which layout a job or an image is looked at with, and why."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from memtool.core.chip import find_chip
from memtool.core.image import Image
from memtool.core.layouts.layout_fit import rank_layouts
from memtool.errors import StoreError
from memtool.store.layout_files.layouts import (
    LoadedLayout,
    default_layout_folder,
    read_layout,
    read_library,
)
from memtool.workflow.jobs import OpenJob


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutChoice:
    """The layout that is used, or none, and the reason, a sentence with full stop."""

    loaded: LoadedLayout | None
    reason: str


def choose_layout(
    image: Image | None,
    *,
    named: Path | None,
    opened: OpenJob | None = None,
    chip: str | None = None,
    part_number: str | None = None,
) -> LayoutChoice:
    """The layout named by the person; else the job's; else the best of the user's library.

    Args:
        image: What the library's layouts are tried on; None: the library is not asked.
        named: ``--layout``.
        opened: The job, if there is one.
        chip: As the person named it.
        part_number: From the module's label.

    Raises:
        UsageError: there is no such file.
        LayoutError: the named file, or the job's copy, is no valid layout.
        StoreError: the job's copy is not what the journal says.
    """
    if named is not None:
        return LayoutChoice(loaded=read_layout(named), reason="The layout was named.")
    chosen = None
    if opened is not None and chip is not None:
        chosen = opened.job.layout_of(chip)
    if opened is not None and chosen is not None:
        loaded = read_layout(opened.folder / chosen.path)
        if loaded.sha256 != chosen.sha256:
            raise StoreError(
                "the job's copy of its layout was changed",
                code="layout-changed",
                file=str(opened.folder / chosen.path),
                next_step="choose the layout again with --layout FILE",
            )
        return LayoutChoice(loaded=loaded, reason="The layout is the one that the job uses.")
    if image is None:
        return LayoutChoice(loaded=None, reason="No layout was named.")
    return _from_library(image, chip, part_number)


def _from_library(image: Image, chip: str | None, part_number: str | None) -> LayoutChoice:
    library = read_library(default_layout_folder())
    if not library.layouts:
        reason = "No layout was named, and your layout library is empty."
        return LayoutChoice(loaded=None, reason=reason)
    by_layout = {id(loaded.layout): loaded for loaded in library.layouts}
    ranking = rank_layouts(
        [loaded.layout for loaded in library.layouts],
        image,
        chip=find_chip(chip) if chip else None,
        part_number=part_number,
    )
    if len(ranking.best) != 1:
        return LayoutChoice(loaded=None, reason=ranking.reason)
    return LayoutChoice(loaded=by_layout[id(ranking.best[0].layout)], reason=ranking.reason)
