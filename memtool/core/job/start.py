"""What is known when a job is opened: each memory of both modules, side by side."""

from __future__ import annotations

from dataclasses import dataclass

from memtool.core.finding import Check, Finding
from memtool.core.health.agreement import Agreement
from memtool.core.image import Image
from memtool.core.job.donor_identity import DonorIdentity
from memtool.core.job.events.kinds import ReadsBackedUp
from memtool.core.job.events.memory_kinds import ReaderOrderSet, ReadWithdrawn
from memtool.core.job.next_kinds import NextAction
from memtool.core.job.order import Order
from memtool.core.job.setup_list import SetupItem
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import RegionKind
from memtool.core.role import Role
from memtool.core.span import Span
from memtool.core.texts.known_identity import PairedMatch, VinFinding


@dataclass(frozen=True, slots=True, kw_only=True)
class ModuleView:
    """What one backup looks like."""

    backup: ReadsBackedUp
    image: Image
    agreement: Agreement | None
    """Of all reads that count; None for a single read."""
    findings: tuple[Finding, ...]
    """Health of the first read."""
    vins: tuple[VinFinding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MemoryView:
    """One memory in all modules."""

    name: str
    chip: str
    modules: tuple[ModuleView, ...]
    """Newest backup of each role, original first; empty where it is not read yet."""
    withdrawn: tuple[ReadWithdrawn, ...]
    """Reads that do not count any more."""
    unreadable: str | None
    """Why the original's has no read."""
    reader_order: ReaderOrderSet | None
    """How the reader writes its files, and why; None: nothing was settled, so plain."""
    not_read: tuple[Span, ...]
    """Areas that the reader could not give; they take no part in what is compared."""
    family: tuple[Check, ...]
    """The donor compared with the original; without a donor what the original says by itself."""
    differing: tuple[Span, ...]
    """Where the original and the donor differ."""
    pairs: tuple[PairedMatch, ...]
    """Places where each of the two holds its own VIN, in one form: certain."""
    is_follow_up: bool
    """Whether the module came back that an older job handed over, and no donor is there."""
    setup: tuple[SetupItem, ...]
    """What the maker's procedure must set; empty where one of the two is not read."""
    donor_identity: DonorIdentity | None
    """What the donor's identity is; None without a donor."""
    layout: Layout | None
    layout_reason: str
    """Why this layout, or why none, a sentence."""

    def module(self, role: Role) -> ModuleView | None:
        """The module of that role."""
        return next((module for module in self.modules if module.backup.role is role), None)

    @property
    def holds_identity(self) -> bool:
        """Whether a VIN was found in any module, or the layout has a place for one."""
        regions = self.layout.regions if self.layout else ()
        return any(module.vins for module in self.modules) or any(
            region.kind is RegionKind.VEHICLE_IDENTITY for region in regions
        )

    @property
    def is_equal(self) -> bool | None:
        """Whether original and donor hold the same bytes; None where one is not read."""
        if self.module(Role.ORIGINAL) is None or self.module(Role.DONOR) is None:
            return None
        return not self.differing

    @property
    def needs_nothing(self) -> bool:
        """Equal in both modules and without identity, as program flash often is."""
        return self.is_equal is True and not self.holds_identity


@dataclass(frozen=True, slots=True, kw_only=True)
class StartView:
    """The one view that `start` shows."""

    folder: str
    order: Order
    is_new: bool
    """Whether this call opened the job."""
    next: NextAction
    """What the job's record says is next; what was seen now can come before it."""
    memories: tuple[MemoryView, ...]
    """Sorted by name; empty where nothing is known of any."""
    broken_layouts: tuple[str, ...] = ()
    """Files of the user's library that were passed over, each a sentence with its fault."""
