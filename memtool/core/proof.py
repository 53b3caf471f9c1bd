"""A blanking as it was planned and judged, and as it was written: results for people."""

from __future__ import annotations

from dataclasses import dataclass

from memtool.core.finding import Check
from memtool.core.gate import BlankRequest, compute_confirmation
from memtool.core.identity.known_identity import IdentityMatch


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedBlank:
    """A blanking that was planned and judged, and that has written nothing."""

    request: BlankRequest
    checks: tuple[Check, ...]
    """What every rule says, in order."""
    matches: tuple[IdentityMatch, ...]
    """Every trace of the identities in the blanked image, chance matches included."""

    @property
    def confirmation(self) -> str:
        """What the person must type."""
        return compute_confirmation(self.request.image, self.request.identities)


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenBlank:
    """What was written, and the proof of it."""

    prepared: PreparedBlank
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
