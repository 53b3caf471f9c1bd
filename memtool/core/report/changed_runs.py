"""The bytes that changed after the file was written and that a person had to judge.

They stand in the shop's copy alone, with what was there before and after. Of protected regions
address and count are told, never a byte.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from memtool.core.finding import Check, Verdict
from memtool.core.image import Image
from memtool.core.layouts.layout import Layout
from memtool.core.runs import find_changes
from memtool.core.span import Span, intersect_spans, subtract_spans

_CODES = frozenset({"changed-bytes", "protected-equal", "module-identity-equal"})


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangedRun:
    """One run of bytes that are others in the finished module than in what was written."""

    span: Span
    region: str | None
    """Name of the region; None: no layout names one."""
    old: bytes | None
    """None: the run is protected, and its bytes are never shown."""
    new: bytes | None


def find_changed_runs(
    before: Image,
    finished: Image,
    checks: Iterable[Check],
    layout: Layout | None,
    protected: Iterable[Span],
) -> tuple[ChangedRun, ...]:
    """The runs that the check after setup left to a person, by address.

    Args:
        before: What was written to the module.
        finished: The module after setup.
        checks: What the check after setup found.
        layout: Names the regions.
        protected: By any layout of the job.
    """
    asked = [
        span
        for check in checks
        if check.code in _CODES and check.result is Verdict.DECIDE
        for span in check.spans
    ]
    changed = intersect_spans(find_changes(before, finished), asked)
    hidden = intersect_spans(changed, tuple(protected))
    shown = subtract_spans(changed, hidden)
    return tuple(
        ChangedRun(
            span=span,
            region=_region_at(layout, span.start),
            old=before.read(span) if span in shown else None,
            new=finished.read(span) if span in shown else None,
        )
        for span in sorted((*shown, *hidden))
    )


def _region_at(layout: Layout | None, address: int) -> str | None:
    region = layout.region_at(address) if layout else None
    return region.name if region else None
