"""What bans blanking in a job for good, and whether the vehicle on the order may change.

Restraint systems and immobilisers are never blanked: a person can be hurt, a vehicle stolen.
A job that was once said to be about such a module, by its order or by any layout named in
it, stays banned, also when the order is amended or another layout is named. A wrong choice
is mended by a new job.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from memtool.core.job.events.kinds import JobOpened, LayoutNamed, OrderAmended
from memtool.core.job.job import NEVER_BLANKED, Job
from memtool.core.job.order import says_nothing
from memtool.core.job.protection import NOT_YET
from memtool.core.layouts.layout import ModuleKind
from memtool.core.texts.vin import mask_vin


@dataclass(frozen=True, slots=True, kw_only=True)
class Ban:
    """Who said that the module is one that is never blanked."""

    kind: ModuleKind
    number: int
    """Entry of the journal that said so."""
    layout: str | None
    """Name of the layout; None: the order."""

    def __str__(self) -> str:
        """As a clause: who says so, and what."""
        said = "the order" if self.layout is None else f"the layout '{self.layout}'"
        entry = "" if self.number >= NOT_YET else f" (journal entry {self.number})"
        article = "an" if self.kind[0] in "aeiou" else "a"
        return f"{said}{entry} says that it is {article} {self.kind} module"


def find_bans(job: Job, named: Iterable[LayoutNamed]) -> tuple[Ban, ...]:
    """Everything that bans blanking in this job, oldest first.

    Args:
        job: Its order at any time counts.
        named: All layouts ever named in it, for any memory.
    """
    orders = (
        (event.order.module_kind, event.number, None)
        for event in job.events
        if isinstance(event, JobOpened | OrderAmended)
    )
    layouts = ((each.module, each.number, each.name) for each in named)
    found = {
        (number, kind, layout)
        for kind, number, layout in (*orders, *layouts)
        if kind in NEVER_BLANKED and kind is not None
    }
    kind = job.order.module_kind
    if kind is not None and kind in NEVER_BLANKED and all(layout for _, _, layout in found):
        # A job that was put together without its entries still has its order.
        found.add((1, kind, None))
    ordered = sorted(found, key=lambda each: (each[0], each[1], each[2] or ""))
    return tuple(Ban(kind=kind, number=number, layout=layout) for number, kind, layout in ordered)


def find_vin_change_fault(
    job: Job, vehicle_vin: str | None, *, reason: str | None, donor_vins: Sequence[str]
) -> str | None:
    """Why the vehicle's VIN may not become this one; None: it may.

    Before the first blanking a slip is mended freely. Afterwards the file to program is made
    for the vehicle that stands on the order.

    Args:
        job: As it stands.
        vehicle_vin: The new one; None: it stays.
        reason: Why it changes.
        donor_vins: Every VIN that the donor's reads hold or held.

    Returns:
        A sentence without full stop.
    """
    old = job.order.vehicle_vin
    if vehicle_vin is None or vehicle_vin == old or not job.blankings:
        return None
    if vehicle_vin in donor_vins:
        return f"{mask_vin(vehicle_vin)} is a VIN that the donor held"
    if says_nothing(reason):
        return "the vehicle's VIN changes after a blanking only with a reason"
    return None
