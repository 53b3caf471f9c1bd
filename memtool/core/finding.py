"""What a check says: findings with a severity, and verdicts that can be "not checked"."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from memtool.core.span import Span


class Severity(StrEnum):
    """How much a finding weighs."""

    INFO = "info"
    WARNING = "warning"
    FAILURE = "failure"


class Verdict(StrEnum):
    """The result of one check. What was not checked is never called good."""

    PASS = "pass"
    FAIL = "fail"
    DECIDE = "decide"
    """Compared, and a person must judge it."""
    NOT_CHECKED = "not-checked"
    OUT_OF_DATE = "out-of-date"
    """What it judged has changed since."""


class Finding(NamedTuple):
    """One observation about an image or a file."""

    code: str
    """Stable, lower-case, hyphenated name."""
    severity: Severity
    text: str
    """One sentence for the person at the bench, with full stop."""
    spans: tuple[Span, ...] = ()
    """The addresses it is about; empty where it is about the whole."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One question that was asked of an image, with its answer.

    Raises:
        ValueError: not checked, but without a reason.
    """

    code: str
    """Stable, lower-case, hyphenated name of the question."""
    result: Verdict
    text: str
    """What was found, one sentence with full stop."""
    reason: str | None = None
    """Why it was not checked; None where it was."""
    spans: tuple[Span, ...] = ()

    @property
    def said(self) -> str:
        """One sentence: what was found; or what was not, and why."""
        return self.text if self.reason is None else f"{self.text.rstrip('.')}: {self.reason}."

    def __post_init__(self) -> None:
        if (self.result is Verdict.NOT_CHECKED) is not (self.reason is not None):
            raise ValueError(f"{self.code}: a reason belongs to 'not checked' and to it alone")
