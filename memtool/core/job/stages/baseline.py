"""A module that came back: what it holds now against what it held when it was handed over.

And the reads that a job took over from an older one, as a point of their own.
"""

from __future__ import annotations

from memtool.core.finding import Check
from memtool.core.image import Image
from memtool.core.job.events.memory_kinds import ReadsTakenOver
from memtool.core.job.stages.answers import passed, tell_by_region, undecided
from memtool.core.layouts.layout import Layout
from memtool.core.runs import find_changes


def check_taken_over(taken: ReadsTakenOver | None) -> tuple[Check, ...]:
    """Where the reads come from; nothing where the job has its own.

    The finished read of an older job is a baseline, and no doubt about it is left to anybody.
    Other reads are this module's only if the older job was about it: a person says so.
    """
    if taken is None:
        return ()
    code, text = "earlier-job", f"The reads were taken over from {taken.name}: {taken.reason}"
    if taken.sitting is not None:
        text = f"The baseline is the finished read of {taken.name}: {taken.reason}"
        return (passed(code, _sentence(text)),)
    text = f"{_sentence(text)} It was about {taken.about}; make sure that they are this module's."
    return (undecided(code, text),)


def compare_with_baseline(
    read: Image, baseline: Image, layout: Layout | None, taken: ReadsTakenOver
) -> Check:
    """Whether the module still holds what it held when it was handed over.

    Args:
        read: Its content now.
        baseline: The finished read of the older job.
        layout: Tells differences by region; without it they are told by address.
        taken: Which job that was.
    """
    code, finished = "baseline", f"{taken.name} was finished"
    changed = find_changes(baseline, read)
    if not changed:
        return passed(code, f"The module holds exactly what it held when {finished}.")
    text = f"The module's content has changed since {finished}: {tell_by_region(changed, layout)}."
    return undecided(code, text, changed)


def _sentence(text: str) -> str:
    return f"{text.rstrip('.')}."
