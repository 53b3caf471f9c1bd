"""What a change put into an image that was not in it before: VINs, and traces of known ones.

The tool writes no VIN, whatever was asked of it. So what comes out is looked at, not what
was asked for: a layout, a reference image, a pattern or a majority can all spell a text.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from memtool.core.image import Image
from memtool.core.span import Span, count_addresses
from memtool.core.texts.identity_match import IdentityMatch, Part, normalise_identity
from memtool.core.texts.identity_search import find_identity
from memtool.core.texts.vin_search import find_vins


@dataclass(frozen=True, slots=True, kw_only=True)
class NewIdentity:
    """A text that an image holds after a change and did not hold before it."""

    text: str
    """The whole VIN that the bytes hold or derive from."""
    part: Part
    span: Span
    stored_as: str


def find_new_identity(
    before: Sequence[Image],
    after: Image,
    changed: Sequence[Span],
    *,
    chance_limit: float,
    known: Iterable[str] = (),
) -> tuple[NewIdentity, ...]:
    """Every VIN, and every trace of a known one beyond chance, that the change brought in.

    A text counts as new where it lies at least partly on changed bytes. A VIN that one of
    the images held before, anywhere and in any form, was not made by the change. A trace
    of a known VIN (its last 8, 6 or 5 characters, as text, BCD or integer) was not, where
    one of the images held the same trace at the same place.

    Args:
        before: The images that went in; of several, each may have held a text.
        after: The image that came out.
        changed: Where `after` differs from what went in; nothing else is looked at.
        chance_limit: A trace that chance makes this often, in that many bytes, is none.
        known: VINs whose traces must not appear, the vehicle's above all.

    Returns:
        Sorted by address.

    Raises:
        ValueError: one of `known` is no identity.
    """
    if not changed:
        return ()
    found = [*_new_vins(before, after, changed)]
    for text in dict.fromkeys(normalise_identity(vin) for vin in known):
        found += _new_traces(before, after, changed, text, chance_limit)
    # Backwards, so that of equal ones the first stays.
    unique = {(each.text, each.span): each for each in reversed(found)}
    return tuple(sorted(unique.values(), key=lambda each: (each.span, each.text)))


def _new_vins(before: Sequence[Image], after: Image, changed: Sequence[Span]) -> list[NewIdentity]:
    return [
        NewIdentity(text=vin.text, part=Part.WHOLE, span=vin.span, stored_as=vin.stored_as)
        for vin in find_vins(after)
        if _touches(vin.pieces, changed)
        and not any(_holds_whole(image, vin.text) for image in before)
    ]


def _new_traces(
    before: Sequence[Image],
    after: Image,
    changed: Sequence[Span],
    text: str,
    chance_limit: float,
) -> list[NewIdentity]:
    # Chance had only the changed bytes to strike in, not the whole image: a short trace
    # that a large image may well hold is no accident in the few bytes that were written.
    share = min(1.0, count_addresses(changed) / max(1, after.size))
    candidates = [
        match
        for match in find_identity(after, text)
        if match.expected_by_chance * share < chance_limit and _touches(match.pieces, changed)
    ]
    if not candidates:
        return []
    old = {_key_of(match) for image in before for match in find_identity(image, text)}
    return [
        NewIdentity(text=text, part=match.part, span=match.span, stored_as=match.stored_as)
        for match in candidates
        if _key_of(match) not in old
    ]


def _holds_whole(image: Image, text: str) -> bool:
    return any(match.part is Part.WHOLE for match in find_identity(image, text, parts=False))


def _touches(pieces: Sequence[Span], changed: Sequence[Span]) -> bool:
    return any(piece.overlaps(span) for piece in pieces for span in changed)


def _key_of(match: IdentityMatch) -> tuple[object, ...]:
    return match.part, match.coding, match.stored_as, match.pieces
