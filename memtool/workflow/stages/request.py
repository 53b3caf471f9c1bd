"""What a person asks `check` for, and what a stage answers."""

from __future__ import annotations

from dataclasses import dataclass, field

from memtool.core.finding import Check
from memtool.core.job.decisions import Point
from memtool.core.job.events.kinds import StageChecked
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.read_options import ReadOptions
from memtool.store.layouts import LoadedLayout
from memtool.workflow.jobs import OpenJob
from memtool.workflow.loading import LoadedRead


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptRead:
    """An earlier check, to be judged again from what the job keeps."""

    check: StageChecked
    changed: tuple[str, ...]
    """What it rests on and what is another now, in words."""
    read: LoadedRead | None
    """The read that it looked at, from the job's copy; None: it looked at none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRequest:
    """What the person asked for."""

    opened: OpenJob
    stage: Stage | None
    """None: inferred from the job."""
    name: str | None
    """Path or job name of the file to check; None: the stage's own."""
    target: str | None = None
    reported_vins: tuple[str, ...] = ()
    codes: str | None = None
    mileage_before: str | None = None
    mileage_after: str | None = None
    """What the vehicle showed before the work and after it, as reported."""
    layout: LoadedLayout | None = None
    chip: str | None = None
    """Chip or name of the memory that is meant."""
    options: ReadOptions = field(default_factory=ReadOptions)
    reader_order: str | None = None
    """How another reader than the job's wrote the given files; None: it was the job's."""
    kept: KeptRead | None = None
    """What is judged again without being asked for; None: the person asks now."""

    @property
    def is_module_wide(self) -> bool:
        """Whether values are given that speak of the whole module, and no read of a memory."""
        is_reported = bool(self.reported_vins) or self.codes is not None
        several = len(self.opened.job.memories) > 1
        return is_reported and several and self.name is None and self.chip is None


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """One stage, checked and recorded."""

    opened: OpenJob
    stage: Stage
    inferred: bool
    memory: str | None
    verdict: StageVerdict
    """With what a person decided before on the very same points."""
    points: tuple[Point, ...]
    subject: str | None


Answer = tuple[tuple[Check, ...], LoadedRead | None]
"""What a stage found, and the file that it looked at."""
