"""Is this a good read? All checks, in the order in which a person would ask."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.chip import Chip
from memtool.core.finding import Finding, Severity
from memtool.core.health.address_lines import find_stuck_address_lines
from memtool.core.health.bus import find_idle_bus
from memtool.core.health.byte_order import find_other_order
from memtool.core.health.content import (
    find_erased_regions,
    find_identity_in_new,
    tell_fill,
    tell_repeats,
)
from memtool.core.health.data_lines import find_shorted_data_lines, find_stuck_data_lines
from memtool.core.health.evidence import Evidence, gather_evidence
from memtool.core.health.judgeable import QUESTIONS, list_unjudged
from memtool.core.health.size import find_size_faults
from memtool.core.health.texts import tell_texts
from memtool.core.health.transfer import find_transfer_damage
from memtool.core.image import Image
from memtool.core.span import Span
from memtool.lazy import late_module

if TYPE_CHECKING:
    from memtool.core.layouts.layout import Layout
    from memtool.core.records import placing
else:
    placing = late_module("memtool.core.records.placing")

_ON_CONTENT: tuple[Callable[[Evidence], tuple[Finding, ...]], ...] = (
    find_stuck_address_lines,
    find_stuck_data_lines,
    find_shorted_data_lines,
    find_other_order,
    find_transfer_damage,
    find_erased_regions,
    find_identity_in_new,
)
"""Asked where the read has content: an empty one equals itself in every way."""

_TELLING = (tell_fill, tell_texts, tell_repeats)
"""What the content is like; information alone."""


class Health(NamedTuple):
    """What one read says about itself."""

    findings: tuple[Finding, ...]
    """In the order in which a person would ask, then what the content is like."""
    judged: tuple[str, ...]
    """Those of `QUESTIONS` that this read can answer. Nothing else may be called checked."""

    @property
    def speaks_against(self) -> bool:
        """Whether a finding is a failure."""
        return any(finding.severity is Severity.FAILURE for finding in self.findings)


def judge_health(
    image: Image,
    *,
    chip: Chip | None = None,
    layout: Layout | None = None,
    hidden: Sequence[Span] = (),
    vin_texts: Sequence[str] = (),
    claimed_new: bool = False,
    in_records: bool = False,
    alone: bool = True,
) -> Health:
    """Every way in which this one read looks wrong, what is in it, and what was judged.

    Args:
        image: One read.
        chip: The chip the person chose; None where it is not known.
        layout: What lies where; protected regions are never shown.
        hidden: What must not be shown besides.
        vin_texts: VINs that the person expects in the read.
        claimed_new: The module is said to have never been configured.
        in_records: It came as a hex file whose records hold, so that no byte is missing.
        alone: No other read of the chip was given.
    """
    evidence = gather_evidence(
        image,
        chip=chip,
        layout=None if layout is None else placing.place_records(layout, image),
        hidden=tuple(hidden),
        vin_texts=tuple(vin_texts),
        claimed_new=claimed_new,
        in_records=in_records,
    )
    faults, has_content = _find_faults(evidence)
    if not has_content:
        return Health(findings=faults, judged=())
    told = (finding for tell in _TELLING for finding in tell(evidence))
    open_ = list_unjudged(evidence)
    return Health(
        findings=(*faults, *told, *_tell_unjudged(evidence, open_, alone=alone)),
        judged=tuple(name for name in QUESTIONS if name not in dict(open_)),
    )


def _find_faults(evidence: Evidence) -> tuple[tuple[Finding, ...], bool]:
    """Every way in which the read looks wrong, and whether it has content that was asked."""
    found = find_size_faults(evidence)
    idle = find_idle_bus(evidence) if evidence.size else ()
    if idle or not evidence.size:
        return (*found, *idle), False
    checked = (finding for check in _ON_CONTENT for finding in check(evidence))
    return (*found, *checked), True


def find_faults(
    image: Image,
    *,
    chip: Chip | None = None,
    layout: Layout | None = None,
    vin_texts: Sequence[str] = (),
    claimed_new: bool = False,
) -> tuple[Finding, ...]:
    """The findings of `judge_health` without those that only tell what the content is like; of a
    large read they take as long as all others."""
    evidence = gather_evidence(
        image,
        chip=chip,
        layout=None if layout is None else placing.place_records(layout, image),
        vin_texts=tuple(vin_texts),
        claimed_new=claimed_new,
    )
    return _find_faults(evidence)[0]


def find_health(
    image: Image,
    *,
    chip: Chip | None = None,
    layout: Layout | None = None,
    hidden: Sequence[Span] = (),
    vin_texts: Sequence[str] = (),
    claimed_new: bool = False,
    in_records: bool = False,
) -> tuple[Finding, ...]:
    """The findings of `judge_health` alone."""
    return judge_health(
        image,
        chip=chip,
        layout=layout,
        hidden=hidden,
        vin_texts=vin_texts,
        claimed_new=claimed_new,
        in_records=in_records,
    ).findings


def _tell_unjudged(
    evidence: Evidence, unjudged: Sequence[tuple[str, str]], *, alone: bool
) -> tuple[Finding, ...]:
    """The questions without an answer, those with the same reason together."""
    by_reason: dict[str, list[str]] = {}
    if alone:
        # Two reads that agree are the only sign of a good contact.
        by_reason["this is one read"] = ["weak contact"]
    for name, reason in unjudged:
        by_reason.setdefault(reason, []).append(name)
    if not by_reason:
        return ()
    words = "; ".join(f"{', '.join(names)} ({reason})" for reason, names in by_reason.items())
    return (evidence.finding("not-judged", Severity.INFO, f"Not judged: {words}."),)
