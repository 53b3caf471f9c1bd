"""What a verdict is about, by digest, so that it is out of date when one of them changes."""

from __future__ import annotations

import hashlib

from memtool.core.job.events.event import Judged
from memtool.core.job.job import Job


def judge(
    job: Job,
    *,
    layout: str | None = None,
    file: str | None = None,
    backups: tuple[str, ...] | None = None,
    reads: tuple[str, ...] | None = None,
) -> Judged:
    """What is judged now: these, and the order's VIN and module kind.

    Args:
        job: As it stands.
        layout: SHA-256 of the layout's file.
        file: Digest of the image that was, or is to be, written.
        backups: Ids in the backup store.
        reads: Digest of each read's image.
    """
    return Judged(
        layout=layout,
        file=file,
        backups=backups,
        vehicle_vin=_digest(job.order.vehicle_vin),
        module_kind=_digest(job.order.module_kind),
        reads=reads,
    )


def _digest(text: str | None) -> str | None:
    return None if text is None else hashlib.sha256(text.encode()).hexdigest()
