"""Stage `restored`: does the module hold a backup again, byte for byte?"""

from __future__ import annotations

from dataclasses import replace

from memtool.core.chip import Chip
from memtool.core.finding import Check, Verdict
from memtool.core.image import Image
from memtool.core.job.stages.after_writing import check_read_back
from memtool.core.job.stages.answers import passed, undecided
from memtool.core.layouts.layout import Layout


def check_restored(
    *,
    backup: Image,
    read: Image,
    before: Image,
    whose: str,
    is_given_back: bool,
    layout: Layout | None,
    chip: Chip | None,
) -> tuple[Check, ...]:
    """Compare the module's content with the backup that was to come back.

    Args:
        backup: From its verified stored copy.
        read: What the module holds now.
        before: What it held before: the file that was written, or the backup itself.
        whose: ``donor``, ``original``: whose backup it is.
        is_given_back: Whether this job gave that backup back to be programmed.
        layout: Tells differences by region; without it they are told by address.
        chip: Page and block sizes for the likely cause.
    """
    answers = check_read_back(
        intended=backup, read_back=read, before=before, edited=(), layout=layout, chip=chip
    )
    if all(answer.result is Verdict.PASS for answer in answers):
        if not is_given_back:
            # A read from before the work has these bytes as well.
            text = (
                f"The read holds the {whose}'s backup, byte for byte, but this job gave none back "
                "('backup restore'). Was it programmed since, and read again?"
            )
            return (undecided("restored", text),)
        text = f"The module holds the {whose}'s backup again, byte for byte."
        return (passed("restored", text),)
    return tuple(
        replace(
            answer,
            code="restored" if answer.code == "read-back" else answer.code,
            text=answer.text.replace("the file", "the backup"),
        )
        for answer in answers
    )
