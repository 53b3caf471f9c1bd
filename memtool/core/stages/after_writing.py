"""Stage `after-writing`: did the module take exactly this?"""

from __future__ import annotations

from memtool.core.chip import Chip
from memtool.core.finding import Check
from memtool.core.health.after_writing import diagnose_write
from memtool.core.image import Image, find_changes
from memtool.core.layouts.layout import Layout
from memtool.core.span import Span, format_address
from memtool.core.stages.answers import (
    failed,
    not_checked,
    passed,
    split_counters,
    tell_by_region,
)


def check_read_back(
    *,
    intended: Image,
    read_back: Image,
    before: Image,
    edited: tuple[Span, ...],
    layout: Layout | None,
    chip: Chip | None,
) -> tuple[Check, ...]:
    """Compare the module's content after writing with the file, byte for byte.

    Args:
        intended: The image that was to be written.
        read_back: What the module holds now.
        before: What it held before.
        edited: The spans that the blanking changed; a counter there is no counter.
        layout: Tells differences by region; without it they are told by address.
        chip: Page and block sizes for the likely cause.
    """
    if read_back.spans != intended.spans:
        text = f"The read-back holds {read_back.size:,} bytes, the file {intended.size:,}."
        return (failed("read-back", text, read_back.spans),)
    changed = find_changes(intended, read_back)
    if not changed:
        return (passed("read-back", "The module holds exactly the file, byte for byte."),)
    counters, rest = split_counters(changed, layout, edited)
    if not rest:
        where = tell_by_region(counters, layout)
        text = f"Only counters differ from the file: {where}."
        reason = "the module was powered since the write"
        return (
            passed("read-back", "Apart from counters the module holds exactly the file."),
            not_checked("counters", text, reason, counters),
        )
    first = format_address(rest[0].start)
    text = f"The module does not hold the file, first at {first}: {tell_by_region(rest, layout)}."
    causes = diagnose_write(before, intended, read_back, chip)
    return (
        failed("read-back", text, rest),
        *(failed(f"cause-{cause.code}", cause.text, cause.spans) for cause in causes),
    )
