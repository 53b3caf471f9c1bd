"""Look at one image, or at several reads of one memory."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from memtool.core.chip import find_chip
from memtool.core.health.inspection import Inspection, inspect_images
from memtool.core.read_options import ImageFormat
from memtool.workflow.context import Context
from memtool.workflow.loading import LoadedRead, find_repeated, require_few_vins
from memtool.workflow.showing import Shown, choose_shown


class Look(NamedTuple):
    """What was seen."""

    loaded: tuple[LoadedRead, ...]
    inspection: Inspection
    shown: Shown
    """With the context as it is after the layout was remembered."""


def look_at(
    context: Context,
    names: Sequence[str],
    loaded: Sequence[LoadedRead],
    *,
    layout: Path | None = None,
    deep: bool = False,
    new: bool = False,
) -> Look:
    """Format, health, VINs, fields, checksums of images; several are compared.

    Args:
        context: Of the run.
        names: The images, as they were named.
        loaded: The same, loaded.
        layout: The one that was named; None: the job's, or one of the user's library.
        deep: Also the stored forms that chance can make.
        new: Whether the module is said to be new.

    Raises:
        MemtoolError: the layout cannot be read, or a copy of one is lost; an image holds more
            VINs than a module's memory.
    """
    opened, backup = context.opened, None
    if opened is not None:
        digest = loaded[0].image.sha256()
        backup = next((item for item in opened.job.backups if item.sha256 == digest), None)
    chip = context.chip_name or (backup.chip if backup else None)
    require_few_vins(loaded[:1])
    look = choose_shown(context, names, loaded, named=layout, from_library=True)
    inspection = inspect_images(
        [read.image for read in loaded],
        chip=find_chip(chip) if chip else None,
        layout=look.layout,
        shown=look.shown,
        deep=deep,
        claimed_new=new,
        in_records=[read.format is not ImageFormat.RAW for read in loaded],
        about_files=find_repeated(loaded),
    )
    return Look(loaded=tuple(loaded), inspection=inspection, shown=look)
