"""A blanking as it was planned and judged, and as it was written: results for people."""

from __future__ import annotations

from dataclasses import dataclass

from memtool.core.finding import Check, Verdict
from memtool.core.job.gate_question import GateQuestion
from memtool.core.job.programming import ProgrammingCard
from memtool.core.texts.known_identity import IdentityMatch


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedBlank:
    """The blanking of one memory that was planned and judged, and that has written nothing."""

    memory: str | None
    """Its name; None outside a job."""
    question: GateQuestion
    checks: tuple[Check, ...]
    """What every rule says, in order."""
    matches: tuple[IdentityMatch, ...]
    """Every trace of the identities in the blanked image, chance matches included."""

    @property
    def is_refused(self) -> bool:
        """Whether any rule says no."""
        return any(check.result is Verdict.FAIL for check in self.checks)


@dataclass(frozen=True, slots=True, kw_only=True)
class PassedOver:
    """A memory of the donor that is not planned."""

    memory: str
    reason: str
    """Why, without full stop."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenBlank:
    """What was written, and the proof of it."""

    prepared: PreparedBlank
    card: ProgrammingCard
    """What to know before it is programmed."""
    out: str
    """Path as the user named it."""
    copy: str
    """Path of the job's own copy."""
    sha256: str
    """Digest of the image, read back from disk."""
    file_sha256: str
    checks: tuple[Check, ...]
    """The rules, then the proof of the written file."""


def tell_match(match: IdentityMatch) -> str:
    """A trace of an identity with its odds, in one line without full stop."""
    return (
        f"{match.part} at {match.span}, stored as {match.stored_as} ({match.coding}):"
        f" {match.expected_by_chance:.2g} expected by chance"
    )
