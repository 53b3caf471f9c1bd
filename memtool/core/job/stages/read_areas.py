"""Protected regions that read as one value: the reader may not have been let into them."""

from __future__ import annotations

from collections.abc import Sequence

from memtool.core.finding import Check
from memtool.core.image import Image
from memtool.core.job.protection import Guarded, find_masked
from memtool.core.job.stages.answers import to_decide
from memtool.core.span import Span, format_span

AREAS_CODE = "read-areas"
"""A person's decision on such a point settles the area."""


def check_read_areas(
    donor: Image, guarded: Sequence[Guarded], settled: Sequence[Span]
) -> tuple[Check, ...]:
    """A point to decide for each protected region that reads as a hidden one does.

    Args:
        donor: Image of the used module's chip.
        guarded: By all layouts of the job.
        settled: Areas of which a person knows already why they read so.
    """
    return tuple(
        to_decide(
            AREAS_CODE,
            f"The protected region at {format_span(each.span)} holds one value throughout: the "
            "reader may have been locked out. Is it really empty?",
            [each.span],
        )
        for each in find_masked(donor, guarded, settled)
    )
