"""The VINs in an image of a job: noted with its backup, or looked for."""

from __future__ import annotations

from collections.abc import Mapping

from memtool.core.image import Image
from memtool.core.job.job import Job
from memtool.core.texts.known_identity import find_vins
from memtool.core.texts.vin import is_well_formed
from memtool.version import VERSION


def find_noted_vins(job: Job) -> Mapping[str, tuple[str, ...]]:
    """By the digest of an image the VINs that its backup notes.

    Only where this very version looked for them: another one may find more. Nor where the record
    was changed by hand, and what it notes is no VIN.
    """
    return {
        each.sha256: each.vins
        for each in job.backups
        if each.tool == VERSION and all(map(is_well_formed, each.vins))
    }


def list_vins(image: Image, noted: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
    """The VINs in an image; its bytes are those that were searched, or they are searched now.

    Args:
        image: A read of the job.
        noted: What `find_noted_vins` gave.

    Raises:
        InputError: as `find_vins`.
    """
    known = noted.get(image.sha256())
    return tuple(vin.text for vin in find_vins(image)) if known is None else known
