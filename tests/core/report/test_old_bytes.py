"""The bytes that went, as a report shows them."""

from __future__ import annotations

from typing import cast

from hypothesis import given
from hypothesis import strategies as st

from memtool.core.job.edit import Edit
from memtool.core.job.events.kinds import ImageBlanked
from memtool.core.layouts.region import RegionKind
from memtool.core.report.report import ReportChange
from memtool.core.span import Span

NO_BLANKING = cast(ImageBlanked, None)
"""What is shown of one edit asks nothing of the others."""
SPANS = st.builds(
    lambda start, size: Span(start, start + size), st.integers(0, 60), st.integers(1, 9)
)


@given(st.binary(min_size=1, max_size=40), st.integers(0, 40), st.lists(SPANS, max_size=4))
def test_hidden_bytes_are_two_bullets_each_and_all_others_are_hex(
    old: bytes, start: int, spans: list[Span]
) -> None:
    hidden: list[Span] = []
    for span in sorted(spans, key=lambda each: each.start):
        if not hidden or span.start > hidden[-1].end:
            hidden.append(span)
    edit = Edit(
        span=Span(start, start + len(old)),
        old=old,
        new=bytes(len(old)),
        reason="learned values",
        kind=RegionKind.STATE,
    )
    change = ReportChange(blanking=NO_BLANKING, chip="", summary="", hidden=tuple(hidden))
    expected = "".join(
        "\u2022\u2022" if any(span.start <= at < span.end for span in hidden) else f"{byte:02x}"
        for at, byte in enumerate(old, start)
    )
    assert change.old_hex(edit) == expected
