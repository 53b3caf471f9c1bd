"""The kinds of events that tell what a person decided or tried."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from memtool.core.job.events.event import Event
from memtool.core.job.stage import Stage


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionMade(Event):
    """A person's decision on a point that a check left to a person.

    It holds for what the check judged (`judged` is the check's own) and for what it found;
    where either is another, the point is open again.
    """

    kind: ClassVar[str] = "decision-made"
    stage: Stage
    entry: int
    """Number of the check's entry."""
    point: str
    """As the check named it."""
    code: str
    """Of the question."""
    found: str
    """What the check had found, its own sentence."""
    text: str
    """The decision and its reason."""
    name: str
    """Of the person."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FunctionTested(Event):
    """What was tried on the vehicle after setup, as the person reports it."""

    kind: ClassVar[str] = "function-tested"
    text: str
    ok: bool
    supply_voltage: str | None = None
    """As it was measured while the module was written and set up, in words."""
    codes_before: str | None = None
    codes_after: str | None = None
    calibration: str | None = None
    """What was calibrated, and the result."""
