"""Checksums near a VIN that no layout names, found in the job's own images of that memory.

Where a VIN's copies alone are blanked, a checksum over one of them would be left wrong. Only
what chance does not explain counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from memtool.core.image import Image
from memtool.core.job.gate_question import NearbyChecksum
from memtool.core.role import Role
from memtool.core.span import Span, intersect_spans, union_spans
from memtool.lazy import late_module
from memtool.store.backups import BackupStore
from memtool.workflow.jobs import OpenJob, load_backup

if TYPE_CHECKING:
    from memtool.core import discovery
else:
    # The search loads numpy: a help text that is printed does without.
    discovery = late_module("memtool.core.discovery")

_AROUND = 16
"""Bytes before and after a copy. A VIN's checksum lies beside it (common practice, no source)."""
_MOST_WIDE = 512
"""Bytes that are searched at once."""
_LIMIT = 0.05
"""How many such checksums chance may make around one copy. A wrong refusal costs a layout, a
checksum that was not seen a module that does not start; two modules tell 16 bits at 0.04."""


def find_nearby_checksums(
    image: Image,
    changed: Sequence[Span],
    *,
    opened: OpenJob | None,
    memory: str | None,
    store: BackupStore,
) -> tuple[NearbyChecksum, ...]:
    """The checksums that cover a changed byte, hold in all the job's images, and are no chance.

    Args:
        image: The donor's.
        changed: What is to be blanked.
        opened: The job; its other modules' reads are evidence.
        memory: The one that the image is of.
        store: Holds the reads.

    Raises:
        StoreError: the store has lost or changed a read.
    """
    images = [image, *_other_images(image, opened, memory, store)]
    wide = union_spans(
        part
        for span in changed
        for part in intersect_spans(
            [Span(max(0, span.start - _AROUND), span.end + _AROUND)], image.spans
        )
    )
    found: dict[tuple[Span, Span], NearbyChecksum] = {}
    for area in wide:
        wish = discovery.Wish(
            algorithms=discovery.searched_algorithms(),
            within=Span(area.start, min(area.end, area.start + _MOST_WIDE)),
            fixed_places=False,
            totals=False,
            word_swapped=False,
            unknown_constants=False,
        )
        for block in discovery.discover_checksums(images, wish=wish).blocks:
            if block.expected_by_chance > _LIMIT or block.field is None:
                continue
            if intersect_spans([block.block], changed):
                found[block.block, block.field] = NearbyChecksum(
                    algorithm=block.algorithm, block=block.block, field=block.field
                )
    return tuple(found[key] for key in sorted(found))


def _other_images(
    image: Image, opened: OpenJob | None, memory: str | None, store: BackupStore
) -> list[Image]:
    if opened is None or memory is None:
        return []
    newest = (opened.job.newest_backup(role, memory) for role in Role)
    loaded = (load_backup(store, backup)[1].image for backup in newest if backup is not None)
    return [other for other in loaded if other.spans == image.spans and other != image]
