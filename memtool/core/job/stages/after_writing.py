"""Stage `after-writing`: did the module take exactly this?"""

from __future__ import annotations

from collections.abc import Sequence

from memtool.core.chip import Chip
from memtool.core.finding import Check
from memtool.core.health.after_writing import diagnose_write
from memtool.core.image import Image
from memtool.core.job.stages.answers import (
    failed,
    passed,
    split_counters,
    tell_by_region,
    undecided,
)
from memtool.core.layouts.layout import Layout
from memtool.core.records.placing import place_known
from memtool.core.runs import find_changes
from memtool.core.span import Span, format_address


def name_route() -> Check:
    """What is said where no file was made: the original's own content is the target."""
    text = (
        "Nothing was blanked: the module is to hold the original's own content, its chip moved"
        " onto the donor's board or its image written."
    )
    return passed("route", text)


def check_read_back(
    *,
    intended: Image,
    read_back: Image,
    before: Image,
    edited: tuple[Span, ...],
    layout: Layout | None,
    chip: Chip | None,
    others: Sequence[tuple[str, Image]] = (),
) -> tuple[Check, ...]:
    """Compare the module's content after writing with the file, byte for byte.

    Args:
        intended: The image that was to be written.
        read_back: What the module holds now.
        before: What it held before.
        edited: The spans that the blanking changed; a counter there is no counter.
        layout: Tells differences by region; without it they are told by address.
        chip: Page and block sizes for the likely cause.
        others: Images that may have been written by mistake, with what people call them.
    """
    if read_back.spans != intended.spans:
        text = f"The module holds {read_back.size:,} bytes, the file {intended.size:,}."
        return (failed("read-back", text, read_back.spans),)
    layout = place_known(layout, intended)
    changed = find_changes(intended, read_back)
    if not changed:
        return (passed("read-back", "The module holds exactly the file, byte for byte."),)
    counters, rest = split_counters(changed, layout, edited)
    if not rest:
        where = tell_by_region(counters, layout)
        text = (
            f"Only counters differ from the file: {where}. The module was powered since the write."
        )
        return (
            passed("read-back", "Apart from counters, the module holds exactly the file."),
            undecided("counters", text, counters),
        )
    first = format_address(rest[0].start)
    text = (
        f"The module does not hold the file; the first difference is at {first}: "
        f"{tell_by_region(rest, layout)}."
    )
    causes = diagnose_write(before, intended, read_back, chip, others)
    return (
        failed("read-back", text, rest),
        *(failed(f"cause-{cause.code}", cause.text, cause.spans) for cause in causes),
    )
