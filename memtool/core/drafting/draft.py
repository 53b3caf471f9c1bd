"""What a draft is made of: modules that go in, guesses with their evidence that come out."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from memtool.core.checksums.checksum import ChecksumRule
from memtool.core.image import Image
from memtool.core.layouts.record_rules import RecordRules
from memtool.core.layouts.region import Region
from memtool.core.role import Role
from memtool.core.span import Span


class Confidence(StrEnum):
    """How sure a guess is, in words."""

    NEARLY_CERTAIN = "nearly certain"
    """Chance would have to be very kind to make it."""
    LIKELY = "likely"
    """It looks like this, and little else looks so."""
    POSSIBLE = "possible"
    """It fits, and other things would fit as well."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ModuleReads:
    """The reads of one module."""

    name: str
    """What people call it: a file's name or a role."""
    role: Role | None
    """None: another module of the family."""
    vin: str | None
    """The VIN it was configured with, where that is known. A reference has none."""
    reads: tuple[Image, ...]
    """At least one. Different content means that something counted in between."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RegionGuess:
    """A region that the images suggest."""

    region: Region
    evidence: tuple[str, ...]
    """Why, in sentences with full stop. They quote no content of protected regions."""
    confidence: Confidence


@dataclass(frozen=True, slots=True, kw_only=True)
class ChecksumGuess:
    """A checksum that the images suggest."""

    rule: ChecksumRule
    evidence: tuple[str, ...]
    confidence: Confidence
    expected_by_chance: float
    """Blocks with as much evidence that chance makes in the whole search."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordsGuess:
    """A store of records that the images suggest."""

    rules: RecordRules
    evidence: tuple[str, ...]
    confidence: Confidence


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """A layout as far as images can tell it. Nobody has vouched for any of it."""

    span: Span
    """From the first to the last address that all images define."""
    erased: int
    """What erased bytes seem to read as."""
    regions: tuple[RegionGuess, ...]
    """By address; no two share a byte, nor a byte with a checksum's field."""
    checksums: tuple[ChecksumGuess, ...]
    """By the address of their field."""
    unknown: tuple[Span, ...]
    """What nothing was guessed of."""
    notes: tuple[str, ...]
    """What limits the draft and what would help, in sentences."""
    records: tuple[RecordsGuess, ...] = ()
    """Stores of records; nothing else is guessed of their addresses."""
    word_swapped: bool = False
    """Texts lie with the bytes of each 16-bit word exchanged, throughout."""

    @property
    def guesses(self) -> tuple[RegionGuess | ChecksumGuess, ...]:
        """Regions and checksums together, by address."""
        return tuple(sorted((*self.regions, *self.checksums), key=lambda guess: span_of(guess)))


def span_of(guess: RegionGuess | ChecksumGuess) -> Span:
    """Where the region lies, or the checksum's field."""
    return guess.region.span if isinstance(guess, RegionGuess) else guess.rule.stored
