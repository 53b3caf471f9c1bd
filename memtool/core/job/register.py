"""What the backup store remembers of a job, so that it is found again.

A row says nothing that the job's journal does not say: it is made from the journal after
each entry. It only makes a job findable, and shows when a journal has lost lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

_LEAST_OF_DIGEST = 6
"""Hex digits from which a text is also looked for among digests."""
_HEX = frozenset("0123456789abcdef")


@dataclass(frozen=True, slots=True, kw_only=True)
class JobRow:
    """One job, as a store knows it."""

    id: str
    """First hex digits of the digest of the journal's first line."""
    folder: str
    """Absolute path, where the job was seen last."""
    opened: str
    """ISO 8601 with zone."""
    work_order: str | None
    vehicle_vin: str | None
    vins: tuple[str, ...]
    """Every VIN that its reads hold, sorted."""
    parts: tuple[str, ...]
    """Part numbers of the order, sorted."""
    images: tuple[str, ...]
    """Digests of the images of all its reads and files, sorted."""
    stage: str
    """How far it has come, in words."""
    entries: int
    """Lines of its journal."""
    last: str
    """SHA-256 of the journal's last line."""
    module_kind: str | None = None
    memories: tuple[str, ...] = ()
    """Names of its memories, sorted."""
    next: str | None = None
    """What it has next, in a few words; None: the row is older than this was noted."""
    changed: str | None = None
    """Time of its newest entry, ISO 8601 with zone; None: as `next`."""

    def matches(self, text: str) -> bool:
        """Whether a person who types `text` may mean this job.

        Looked for are work order, folder name and part numbers (any part of them), VINs
        (their end, or whole), id and digests (their first digits); capitals do not count.
        """
        asked = text.strip().casefold()
        if not asked:
            return False
        names = (self.work_order or "", self.folder.replace("\\", "/").rpartition("/")[2])
        if any(asked in name.casefold() for name in (*names, *self.parts)):
            return True
        vins = (*self.vins, *([self.vehicle_vin] if self.vehicle_vin else []))
        if any(vin.casefold().endswith("".join(asked.split())) for vin in vins):
            return True
        is_digits = len(asked) >= _LEAST_OF_DIGEST and set(asked) <= _HEX
        return is_digits and any(item.startswith(asked) for item in (self.id, *self.images))


def tell_loss(row: JobRow, digests: Sequence[str]) -> str | None:
    """What a journal lacks of what the store remembers of it, in words; None: nothing.

    Args:
        row: Of the same job, by its id.
        digests: SHA-256 of each line that is there, in order.
    """
    missing = row.entries - len(digests)
    if missing > 0:
        last = "the last entry is" if missing == 1 else f"the last {missing:,} entries are"
        return (
            f"{last} missing: the backup store remembers {row.entries:,}, and {len(digests):,} "
            f"{'is' if len(digests) == 1 else 'are'} there"
        )
    if digests[row.entries - 1] != row.last:
        return (
            f"this is a different journal: its entry {row.entries:,} is not the one that the "
            "backup store remembers"
        )
    return None
