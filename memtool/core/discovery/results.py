"""What a search for checksums gives back."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from memtool.core.checksums.sums import ByteOrder
from memtool.core.span import Span

CONVINCING = 0.01
"""Fewer chance matches than this over the whole search: the block is taken for found."""
HOPELESS = 1000.0
"""More chance matches than this: what is listed are guesses."""


class Placement(StrEnum):
    """Where the stored number was looked for."""

    AFTER_BLOCK = "after-block"
    IMAGE_END = "image-end"
    DIFFERING = "differing-bytes"
    GIVEN = "given"
    INSIDE = "inside"
    """Somewhere in the block: only the block's total is constant."""


class Standing(StrEnum):
    """How much a row is worth."""

    CONVINCING = "convincing"
    """Both expectations leave no room for chance: `expected_by_chance` is below 0.01."""
    WEAK = "weak"
    """Chance may have made it."""
    GUESS = "guess"
    """Chance makes more than a thousand like it; listed for its place alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Equivalent:
    """Other readings that follow from a row, or that the images cannot tell from it."""

    algorithm: str
    byte_order: ByteOrder | None
    word_swapped: bool
    total: int | None
    starts: tuple[Span, ...]
    """Runs of addresses at which the block may start: any of them, with any of the ends."""
    ends: tuple[Span, ...]
    """Runs of addresses at which it may end (the first address after it)."""
    field: Span | None
    """Where the number is stored; None where it follows each end, or cannot be told."""
    start_step: int
    """2 where only every second address of the runs of starts is meant, else 1."""
    end_step: int
    """The same for the runs of ends."""
    count: int
    """How many readings besides the row's own; more than the runs tell where these were cut."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnknownConstants:
    """A CRC whose start value and final XOR are in no catalogue."""

    width: int
    poly: int
    """Without its top bit, never reflected."""
    reflected: bool
    constant: int
    """A^length·init ⊕ xorout for the block as given, as a stored number."""
    pairs: tuple[tuple[int, int], ...]
    """(init, xorout) in the catalogue's writing: those with one of them all zeros or all ones;
    where a second length separates the two, the one or few that are left."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DiscoveredBlock:
    """One block whose checksum is stored in the images."""

    algorithm: str
    block: Span
    """What is covered, by the most natural reading. Without the field, except with a total."""
    field: Span | None
    """Where the number is stored; None where that cannot be told."""
    byte_order: ByteOrder | None
    """Of the number, or of the two bytes of each word if `word_swapped`; None for one byte."""
    word_swapped: bool
    """A 32-bit number whose 16-bit words are exchanged."""
    total: int | None
    """What block and field add up to, where the field lies inside the block."""
    placement: Placement
    images: tuple[int, ...]
    """Numbers, from 1, of the images that add evidence."""
    bits: float
    """Bits of evidence: width times independent contents."""
    expected_by_chance: float
    """How many blocks with this evidence or more chance alone makes, in this whole search."""
    start_expected_by_chance: float
    """How many other starts would fit this end by chance."""
    standing: Standing
    equivalents: tuple[Equivalent, ...]
    unknown: UnknownConstants | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchedPlacement:
    """One kind of place that was looked at, or why it was not."""

    placement: Placement
    places: int | None
    """How many fixed places; None for places that follow the block."""
    left_out: str | None
    """What was not looked at, and why, as a sentence; None where nothing was left out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Discovery:
    """All that a search found, and what it looked at."""

    blocks: tuple[DiscoveredBlock, ...]
    """Best first; convincing ones in the order in which they must be refreshed."""
    truncated: int
    """How many more there are."""
    expected_by_chance: float
    """How many blocks of any evidence chance alone makes in this search."""
    algorithms: tuple[str, ...]
    placements: tuple[SearchedPlacement, ...]
    spans: tuple[Span, ...]
    """Where blocks were looked for."""
    notes: tuple[str, ...]
    """What limits the answer and what would settle it, in sentences."""
