"""Known identities in an image: every place and every stored form, and how to erase one.

An identity is a VIN, a serial or a part number. It is looked for as a whole and by its last
8, 6 and 5 characters: as text in every stored form and pair, and where the part is all
digits as packed BCD and as an integer of 2 to 4 bytes, both in either byte order, in the
plain form. Each match says how many such matches chance would give (see
`memtool.core.texts.chance`).
"""

from __future__ import annotations

from typing import NamedTuple

from memtool.core.image import Image
from memtool.core.span import Span
from memtool.core.texts.form_table import FORMS, PAIRS
from memtool.core.texts.identity_match import (
    Coding,
    IdentityMatch,
    Part,
    list_parts,
    normalise_identity,
)
from memtool.core.texts.identity_search import find_identity
from memtool.core.texts.trace import Trace, plan_erase_trace
from memtool.core.texts.vin_search import VinFinding, find_vins

__all__ = [
    "Coding",
    "IdentityMatch",
    "PairedMatch",
    "Part",
    "VinFinding",
    "describe_search",
    "find_identity",
    "find_paired",
    "find_vins",
    "list_searched_forms",
    "normalise_identity",
    "plan_erase",
]


class PairedMatch(NamedTuple):
    """A place where each of two images holds what derives from its own VIN, in one form.

    Certain: were it chance, it would have to strike twice at the same place.
    """

    span: Span
    stored_as: str
    part: Part
    coding: Coding
    expected_by_chance: float
    """Such pairs that chance gives in the two images."""
    pieces: tuple[Span, ...]
    mask: bytes


def find_paired(image_a: Image, vin_a: str, image_b: Image, vin_b: str) -> tuple[PairedMatch, ...]:
    """Where each image holds what derives from its own identity, in the same form.

    A part that both identities share is no evidence and is left out.

    Raises:
        ValueError: one of the texts is no identity.
    """
    tails_a, tails_b = (dict(list_parts(normalise_identity(text))) for text in (vin_a, vin_b))
    in_b = {_key_of(match): match for match in find_identity(image_b, vin_b)}
    pairs = []
    for match in find_identity(image_a, vin_a):
        other = in_b.get(_key_of(match))
        if other is None:
            continue
        # A number may be the last six digits of one identity, with a zero in front, and
        # the last five of the other: what both hold is the shorter part.
        part = max(match.part, other.part, key=list(Part).index)
        if tails_a.get(part) == tails_b.get(part):
            continue
        by_chance = match.expected_by_chance * other.expected_by_chance / max(1, image_b.size)
        pairs.append(
            PairedMatch(
                span=match.span,
                stored_as=match.stored_as,
                part=part,
                coding=match.coding,
                expected_by_chance=by_chance,
                pieces=match.pieces,
                mask=match.mask,
            )
        )
    return tuple(pairs)


def plan_erase(image: Image, match: IdentityMatch, fill: int) -> tuple[tuple[int, bytes], ...]:
    """The (address, bytes) edits that put the byte `fill` over a match and nothing else.

    Foreign bytes between spaced or split characters keep their values, and so do the bits
    of bytes that a packed text shares with its neighbours.

    Raises:
        ValueError: `fill` is no byte, or the match is not inside the image.
    """
    return plan_erase_trace(image, Trace(pieces=match.pieces, mask=match.mask), fill)


def list_searched_forms() -> tuple[str, ...]:
    """Names of the forms and pairs a known identity is searched in, without key and offset."""
    pairs = (f"{first.name}+{second.name}" for first, second in PAIRS)
    return (*(form.name for form in FORMS), *pairs)


def describe_search() -> str:
    """For a report: what was searched, as one clause without a full stop."""
    return (
        f"searched whole and by the last 8, 6 and 5 characters, as text in"
        f" {len(list_searched_forms())} stored forms, as BCD and as integers of 2 to 4 bytes"
    )


def _key_of(match: IdentityMatch) -> tuple[str, Coding, tuple[Span, ...], bytes]:
    return match.stored_as, match.coding, match.pieces, match.mask
