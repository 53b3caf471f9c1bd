"""One run of bytes that a blanking changes, and a span that a person keeps from it."""

from __future__ import annotations

from dataclasses import dataclass

from memtool.core.layouts.region import RegionKind
from memtool.core.span import Span


@dataclass(frozen=True, slots=True, kw_only=True)
class Edit:
    """One run of bytes to change.

    Raises:
        ValueError: the bytes that go or come are not as many as the addresses.
    """

    span: Span
    old: bytes
    new: bytes
    """As many bytes as `span` has addresses."""
    reason: str
    """What lies there and why it changes, in words."""
    kind: RegionKind
    """Of the region that it lies in; ``checksum`` for a checksum's own field."""

    def __post_init__(self) -> None:
        if not len(self.old) == len(self.new) == len(self.span):
            raise ValueError(f"an edit of {self.span} has other numbers of bytes")


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptSpan:
    """A span that a person chose to keep, with the reason."""

    span: Span
    reason: str
