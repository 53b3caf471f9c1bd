"""Is this a good read? All checks, in the order in which a person would ask."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from memtool.core.chip import Chip
from memtool.core.finding import Finding
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
from memtool.core.health.size import find_size_faults
from memtool.core.health.texts import tell_texts
from memtool.core.health.transfer import find_transfer_damage
from memtool.core.image import Image
from memtool.core.layouts.layout import Layout

_ON_CONTENT: tuple[tuple[str, Callable[[Evidence], tuple[Finding, ...]]], ...] = (
    ("address lines", find_stuck_address_lines),
    ("data lines stuck", find_stuck_data_lines),
    ("data lines shorted", find_shorted_data_lines),
    ("order of bytes and bits", find_other_order),
    ("transfer as text", find_transfer_damage),
    ("erased regions", find_erased_regions),
    ("identity in a new module", find_identity_in_new),
)
"""Asked where the read has content: an empty one equals itself in every way."""

_TELLING = (tell_fill, tell_texts, tell_repeats)
"""What the content is like; information alone."""

HEALTH_CHECKS: tuple[str, ...] = ("size", "contact", *(name for name, _ in _ON_CONTENT))
"""What a read is checked for, in words for one line."""


def find_health(
    image: Image,
    *,
    chip: Chip | None = None,
    layout: Layout | None = None,
    vin_texts: Sequence[str] = (),
    claimed_new: bool = False,
) -> tuple[Finding, ...]:
    """Every way in which this one read looks wrong, and what is in it.

    Args:
        image: One read.
        chip: The chip the person chose; None where it is not known.
        layout: What lies where; protected regions are never shown.
        vin_texts: VINs that the person expects in the read.
        claimed_new: The module is said to have never been configured.

    Returns:
        Findings in the order of `HEALTH_CHECKS`, then what the content is like. A read
        without a warning or failure passed all of them; that proves no good contact, only
        that no check speaks against it.
    """
    evidence = gather_evidence(
        image, chip=chip, layout=layout, vin_texts=tuple(vin_texts), claimed_new=claimed_new
    )
    found = find_size_faults(evidence)
    if not evidence.size:
        return found
    idle = find_idle_bus(evidence)
    if idle:
        return (*found, *idle)
    checked = (finding for _, check in _ON_CONTENT for finding in check(evidence))
    told = (finding for tell in _TELLING for finding in tell(evidence))
    return (*found, *checked, *told)
