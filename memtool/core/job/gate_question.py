"""What the rules of the gate are asked, and how a rule answers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from memtool.core.finding import Finding
from memtool.core.image import Image
from memtool.core.job.backup import BackupReceipt
from memtool.core.job.blanking import BlankPlan
from memtool.core.job.events.kinds import LayoutNamed, ReadsBackedUp
from memtool.core.job.job import Job
from memtool.core.job.protection import NOT_YET, Guarded, find_guarded, name_layout
from memtool.core.layouts.layout import Layout
from memtool.core.records.placing import place_records
from memtool.core.span import Span


@dataclass(frozen=True, slots=True, kw_only=True)
class NearbyChecksum:
    """A checksum that no layout names and that the job's images hold, beyond chance."""

    algorithm: str
    block: Span
    """What it covers."""
    field: Span
    """Where it is stored."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GateQuestion:
    """Everything that the rules look at, of one memory. None: not there."""

    image: Image
    """The donor's image as it was read from the file that the person named."""
    job: Job | None
    reads: ReadsBackedUp | None
    """The job's record of the donor backup that holds this image."""
    receipt: BackupReceipt | None
    layout: Layout | None
    """The one that the blanking goes by."""
    named: tuple[LayoutNamed, ...] = ()
    """Every layout that was ever named in the job, for any memory."""
    chosen: tuple[LayoutNamed, ...] = ()
    """Layouts that the job used without anybody naming them: they guard, and ban nothing."""
    described: tuple[Layout, ...] = ()
    """The layouts that the job ever used for this memory, whole."""
    nearby: tuple[NearbyChecksum, ...] = ()
    """Checksums that no layout names, found around what a blanking by VIN alone would change."""
    vins: tuple[str, ...] = ()
    """The VINs named where there is no layout."""
    plan: BlankPlan | None
    blanked: Image | None
    identities: tuple[str, ...]
    """The VINs that go."""
    known: tuple[str, ...] = ()
    """Every VIN of the job: the vehicle's, and what any read of any module holds."""
    originals: tuple[Image, ...] = ()
    """The original's reads of this memory."""
    reference: Image | None = None
    """The image that the plan takes blank bytes from."""
    health: tuple[Finding, ...]
    out_exists: bool
    confirmation: str | None
    """What the person typed; None: nobody was asked, as in a dry run."""
    together: tuple[BlankPlan, ...] = ()
    """The plans of all memories that are confirmed at once, this one's too; empty: it alone."""

    @property
    def confirmed_plans(self) -> tuple[BlankPlan, ...]:
        """The plans that the confirmation is about."""
        return self.together or (() if self.plan is None else (self.plan,))

    @property
    def guarded(self) -> tuple[Guarded, ...]:
        """What is not to be touched in this memory, by any layout."""
        return find_guarded(self.layouts, released=self.released)

    @property
    def layouts(self) -> tuple[LayoutNamed, ...]:
        """Every layout named for this memory, with the one that the blanking goes by."""
        memory = self.reads.memory if self.reads else None
        named = (*self.named, *self.chosen, *self.used)
        return tuple(each for each in named if memory is None or each.memory in (None, memory))

    @property
    def used(self) -> tuple[LayoutNamed, ...]:
        """The layout that the blanking goes by, where there is one."""
        if self.layout is None:
            return ()
        placed = place_records(self.layout, self.image)
        return (name_layout(placed, sha256="", memory=None, number=NOT_YET),)

    @property
    def released(self) -> tuple[Span, ...]:
        """Module-identity regions of this memory that a person has reviewed and let go."""
        if self.job is None or self.reads is None:
            return ()
        here = (each for each in self.job.releases if each.memory == self.reads.memory)
        return tuple(each.span for each in here)

    @property
    def settled(self) -> tuple[Span, ...]:
        """Protected spans of this memory of which a person knows why they read as they do."""
        if self.job is None or self.reads is None:
            return ()
        return self.job.settled_in(self.reads.memory, self.image.sha256())


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOpen:
    """A rule that does not refuse, and that nothing was checked for, or that a person decides."""

    text: str
    """With full stop."""
    reason: str | None = None
    """Why it was not checked; None: it was, and a person must judge it."""


Answer = str | LeftOpen | None
"""Why a rule refuses, as a sentence without full stop; or what it leaves open; None: it allows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One rule of the gate."""

    number: int
    code: str
    decide: Callable[[GateQuestion], Answer]
    allowed: str
    """What a passed rule says, with full stop."""
    next_step: str
