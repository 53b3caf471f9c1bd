"""What is known when a job is opened: each module's reads, and the two side by side."""

from __future__ import annotations

from dataclasses import dataclass

from memtool.core.finding import Check, Finding
from memtool.core.identity.known_identity import PairedMatch, VinFinding
from memtool.core.image import Image
from memtool.core.job import KeptReads, Order
from memtool.core.layouts.layout import Layout
from memtool.core.reads.agreement import Agreement
from memtool.core.span import Span


@dataclass(frozen=True, slots=True, kw_only=True)
class ModuleView:
    """What one backup looks like."""

    kept: KeptReads
    image: Image
    agreement: Agreement | None
    """None for a single read, or where the reads were kept earlier."""
    findings: tuple[Finding, ...]
    """Health of the first read."""
    vins: tuple[VinFinding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StartView:
    """The one view that `start` shows."""

    folder: str
    order: Order
    original_unreadable: str | None
    is_new: bool
    """Whether this call opened the job."""
    modules: tuple[ModuleView, ...]
    """Newest backup of each role, original first."""
    family: tuple[Check, ...]
    """The donor compared with the original; empty without a donor."""
    differing: tuple[Span, ...]
    """Where the original and the donor differ."""
    pairs: tuple[PairedMatch, ...]
    """Places where each of the two holds its own VIN, in one form: certain."""
    layout: Layout | None
    layout_reason: str
    """Why this layout, or why none, a sentence."""
