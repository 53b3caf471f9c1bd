"""What the maker's procedure wrote, for the customer file of a job that ended well.

The bytes stand in the shop's copy alone. Of protected places address and count are told.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from memtool.core.image import Image
from memtool.core.job.job import Job
from memtool.core.job.setup_list import find_protected
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.job.standing import find_standing
from memtool.core.layouts.layout import Layout
from memtool.lazy import late_module

if TYPE_CHECKING:
    from memtool.core.learning import learned as learned_facts
    from memtool.core.learning import learning
    from memtool.core.learning.learned import MovedChecksums, WrittenPlace
else:
    # A job that has not ended well tells nothing of it.
    learned_facts = late_module("memtool.core.learning.learned")
    learning = late_module("memtool.core.learning.learning")


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenRow:
    """One place that was written."""

    place: WrittenPlace
    new: bytes | None
    """What it holds after setup; None: protected, or a customer's copy."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcedureWriting:
    """What was written between the file and the finished module, in one memory."""

    changed: int
    """Bytes that differ, in all."""
    has_original: bool
    written: tuple[WrittenRow, ...]
    """What regions explain."""
    unexplained: tuple[WrittenRow, ...]
    checksums: tuple[MovedChecksums, ...]
    still_blank: tuple[WrittenPlace, ...]


def find_writing(
    job: Job,
    memory: str,
    layout: Layout | None,
    *,
    donor: Image | None,
    blanked: Image | None,
    finished: Image | None,
    original: Image | None,
    with_bytes: bool,
) -> ProcedureWriting | None:
    """Compare the file to program with the read after setup.

    Args:
        job: As the journal says.
        memory: Which memory.
        layout: The job's, not placed in any image.
        donor: Its backup.
        blanked: The file to program.
        finished: The read after setup.
        original: None: there is nothing to compare with.
        with_bytes: For the shop's copy.

    Returns:
        None where an image or the layout is missing, or the check after setup has not passed.
    """
    vin, standing = job.order.vehicle_vin, find_standing(job, Stage.AFTER_SETUP, memory)
    if donor is None or blanked is None or finished is None or layout is None or vin is None:
        return None
    if standing is None or standing.verdict is not StageVerdict.PASS:
        return None
    made = job.blankings_of(memory)
    learned = learning.learn(
        learned_facts.Ended(
            layout=layout,
            before=donor,
            blanked=blanked,
            finished=finished,
            original=original,
            vehicle_vin=vin,
            kept=tuple(kept.span for kept in made[-1].kept) if made else (),
            hidden=find_protected(job.named_layouts, memory),
        )
    )

    def row(place: WrittenPlace) -> WrittenRow:
        shown = with_bytes and not place.is_protected
        raw = b"".join(finished.read(span) for span in place.spans) if shown else None
        return WrittenRow(place=place, new=raw)

    return ProcedureWriting(
        changed=learned.changed,
        has_original=learned.has_original,
        written=tuple(row(place) for place in learned.written),
        unexplained=tuple(row(place) for place in learned.unexplained),
        checksums=learned.checksums,
        still_blank=learned.still_blank,
    )
