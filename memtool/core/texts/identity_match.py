"""What a search for a known identity is about: its parts, its codings, its matches."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

from memtool.core.span import Span

SHORTEST_IDENTITY = 4
"""Characters; anything shorter is found everywhere."""
LONGEST_IDENTITY = 64


class Part(StrEnum):
    """How much of the identity a match holds."""

    WHOLE = "whole"
    LAST_8 = "last-8"
    LAST_6 = "last-6"
    LAST_5 = "last-5"


class Coding(StrEnum):
    """How the characters were turned into bytes before the stored form."""

    TEXT = "text"
    BCD = "bcd"
    INTEGER = "integer"


_TAILS = {Part.LAST_8: 8, Part.LAST_6: 6, Part.LAST_5: 5}


class IdentityMatch(NamedTuple):
    """One place that holds an identity, or the end of one."""

    span: Span
    """From the first to the last byte, foreign bytes between included."""
    stored_as: str
    """Name of the stored form, key or bit offset included."""
    part: Part
    coding: Coding
    expected_by_chance: float
    """Matches of this part, coding and form that chance gives in such an image."""
    pieces: tuple[Span, ...]
    """The byte runs that are really occupied."""
    mask: bytes
    """One for each byte of `pieces`, in order: its bits that belong to the identity."""


def normalise_identity(text: str) -> str:
    """Capitals, blanks around it away: as labels and scan tools print an identity.

    Raises:
        ValueError: not 4 to 64 printable ASCII characters, or all of them equal.
    """
    text = text.strip()
    if not text.isascii() or not text.isprintable():
        raise ValueError("an identity is made of printable ASCII characters")
    if not SHORTEST_IDENTITY <= len(text) <= LONGEST_IDENTITY:
        raise ValueError(
            f"an identity has {SHORTEST_IDENTITY} to {LONGEST_IDENTITY} characters,"
            f" this one {len(text)}"
        )
    if len(set(text)) == 1:
        raise ValueError("all characters are equal: filler looks like that, no identity does")
    return text.upper()


def is_identity(text: str) -> bool:
    """Whether `text` can be looked for: what a scan tool reports may be filler or rubbish."""
    try:
        normalise_identity(text)
    except ValueError:
        return False
    return True


def list_parts(identity: str) -> tuple[tuple[Part, str], ...]:
    """The whole and the tails that are shorter than it, longest first."""
    tails = [(part, identity[-size:]) for part, size in _TAILS.items() if len(identity) > size]
    return ((Part.WHOLE, identity), *tails)
