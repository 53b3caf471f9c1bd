"""A module-identity region leaves protection by a person's review of that very region alone."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from memtool.core.job.events.event import Judged
from memtool.core.job.events.kinds import RegionReleased
from memtool.core.job.order import says_nothing
from memtool.core.job.protection import Guarded
from memtool.core.layouts.region import RegionKind
from memtool.core.span import Span, format_span
from memtool.errors import RefusalError, UsageError
from memtool.store.layouts import LoadedLayout
from memtool.workflow.guards import find_guarded_of
from memtool.workflow.jobs import OpenJob, append_event


def release_region(
    opened: OpenJob,
    reviewed: LoadedLayout,
    span: Span,
    *,
    name: str,
    reason: str | None,
    now: datetime,
) -> RegionReleased:
    """Record that a region is no module identity, as a layout under review says.

    Args:
        opened: The job.
        reviewed: The layout in which the person looked at the region.
        span: Exactly that of a guarded region.
        name: Of the person.
        reason: Why it is none.
        now: Time of the entry, with zone.

    Raises:
        UsageError: name or reason say nothing, or the job has no memory of the layout's chip.
        RefusalError: no module-identity region is guarded there, something protected lies
            there, or the layout itself still calls it module identity.
        StoreError: a copy of a layout is lost or was changed, or the entry was not written.
    """
    if reason is None or says_nothing(reason) or says_nothing(name):
        raise UsageError(
            "a region is released only with a name and a reason",
            code="missing-answer",
            next_step="give --by NAME and --reason TEXT; a blank or a dot is not enough",
        )
    memory = opened.job.find_memory(reviewed.layout.chip)
    if memory not in opened.job.memories:
        raise UsageError(
            f"this job has no memory that is a {reviewed.layout.chip}, the layout's chip",
            code="layout-of-another-chip",
            next_step="give the layout of a memory of this job",
            file=reviewed.path,
        )
    guarded = find_guarded_of(opened, memory)
    _require_free(guarded, span)
    _require_guarded(guarded, span)
    _require_other_word(reviewed, span)
    event = RegionReleased(
        memory=memory,
        judged=Judged(layout=reviewed.sha256),
        span=span,
        name=name,
        reason=reason,
    )
    opened = append_event(opened, event, files=[(reviewed.path, reviewed.sha256)], now=now)
    return opened.job.releases[-1]


def _require_free(guarded: Sequence[Guarded], span: Span) -> None:
    for each in guarded:
        if each.region.kind is RegionKind.PROTECTED and each.span.overlaps(span):
            raise RefusalError(
                f"{format_span(each.span)} is protected by the layout '{each.layout}': keys,"
                " immobiliser secrets, odometer and crash data are never released",
                code="never-released",
                next_step="leave it as it is; the maker's procedure changes such data",
                address=each.span.start,
            )


def _require_guarded(guarded: Sequence[Guarded], span: Span) -> None:
    kept = [each.span for each in guarded if each.region.kind is RegionKind.MODULE_IDENTITY]
    if span in kept:
        return
    listed = ", ".join(map(format_span, kept)) or "none"
    raise RefusalError(
        f"{format_span(span)} is no module-identity region that this job guards",
        code="not-guarded",
        next_step=f"name one of them exactly: {listed}",
        address=span.start,
    )


def _require_other_word(reviewed: LoadedLayout, span: Span) -> None:
    for region in reviewed.layout.regions_in(span):
        if region.kind in (RegionKind.MODULE_IDENTITY, RegionKind.PROTECTED):
            raise RefusalError(
                f"the layout itself calls '{region.name}' {region.kind.value.replace('-', ' ')}",
                code="still-guarded",
                next_step="review a layout that says what lies there instead",
                file=reviewed.path,
                address=region.span.start,
            )
