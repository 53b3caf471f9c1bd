"""The VINs in an image of a job: noted with its backup, or looked for."""

from __future__ import annotations

from collections.abc import Mapping

from memtool.core.image import Image
from memtool.core.job.job import Job
from memtool.core.texts.known_identity import find_vins
from memtool.core.texts.vin import is_well_formed
from memtool.version import VERSION


def list_vins(image: Image, job: Job | None) -> tuple[str, ...]:
    """The VINs in an image: as a backup of these bytes notes them, or they are searched now.

    Args:
        image: A read of the job.
        job: None: there is none.

    Raises:
        InputError: as `find_vins`.
    """
    known = None if job is None else _find_noted(job).get(image.sha256())
    return tuple(vin.text for vin in find_vins(image)) if known is None else known


def _find_noted(job: Job) -> Mapping[str, tuple[str, ...]]:
    """By the digest of an image the VINs that its backup notes.

    Only where this very version looked for them: another one may find more. Nor where the record
    was changed by hand, and what it notes is no VIN.
    """
    return {
        each.sha256: each.vins
        for each in job.backups
        if each.tool == VERSION and all(map(is_well_formed, each.vins))
    }
