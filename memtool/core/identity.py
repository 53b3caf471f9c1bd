"""Known identities in an image: every place, every stored form, and what is left of one.

An identity is a VIN, a serial or a part number. It is looked for as a whole and by its last
8, 6 and 5 characters: as text in every stored form and pair, and where the part is all
digits as packed BCD and as an integer of 2 to 4 bytes, both in either byte order, in the
plain form. Each match says how many such matches chance would give (see
`memtool.core.chance`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from memtool.core.chance import CHANCE_LIMIT, ByteMix, measure_mix
from memtool.core.image import Image
from memtool.core.needle_search import compute_needle_chance, find_needle
from memtool.core.needles import Needle, make_needles
from memtool.core.number_needles import make_bcd_needles, make_integer_needles
from memtool.core.span import Span, union_spans
from memtool.core.split_search import count_ways, find_split
from memtool.core.stored_forms import StoredForm, parse_stored_form
from memtool.core.trace import Trace, plan_erase_trace
from memtool.core.view import View, make_views
from memtool.core.vin_search import VinFinding, find_vins

__all__ = [
    "CHANCE_LIMIT",
    "Coding",
    "IdentityMatch",
    "PairedMatch",
    "Part",
    "VinFinding",
    "describe_search",
    "find_identity",
    "find_leftovers",
    "find_paired",
    "find_vins",
    "list_searched_forms",
    "list_searched_parts",
    "normalise_identity",
    "plan_erase",
]

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


_PARTS = list(Part)
_LAST_FORM = 1000
"""The rank of ``split`` among the forms."""
_FORM_OF_WIDE_TEXT = 2
"""The rank of UTF-16: before ``every-2``, which says less about the same bytes."""
_TAILS = {Part.LAST_8: 8, Part.LAST_6: 6, Part.LAST_5: 5}
_SPLIT = parse_stored_form("split")


@dataclass(frozen=True, slots=True, kw_only=True)
class IdentityMatch:
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

    @property
    def is_telling(self) -> bool:
        """Whether chance is too weak an explanation: expected below `CHANCE_LIMIT`."""
        return self.expected_by_chance < CHANCE_LIMIT


@dataclass(frozen=True, slots=True, kw_only=True)
class PairedMatch:
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


def find_identity(image: Image, text: str, *, parts: bool = True) -> tuple[IdentityMatch, ...]:
    """Find every place where `image` holds `text`, or its end, in any stored form.

    What lies wholly inside a match of more of the text, or of an earlier form, is not
    reported again.

    Args:
        image: A gap between segments breaks a text.
        text: Letters count as capitals; the form ``lower-case`` finds small ones.
        parts: Look for the last 8, 6 and 5 characters as well.

    Returns:
        Sorted by address. Of one part and form at most 200 in one view.

    Raises:
        ValueError: `text` is no identity, see `normalise_identity`.
    """
    identity = normalise_identity(text)
    searched = _parts_of(identity) if parts else ((Part.WHOLE, identity),)
    searches = [search for part, piece in searched for search in _list_searches(part, piece)]
    mix = measure_mix(image)
    hits = list(_find_needles(image, searches, mix))
    for part, piece in searched:
        hits += _find_split_part(image, part, piece, mix)
    kept = _without_repeats(hits)
    return tuple(sorted(kept, key=lambda match: (match.span, match.stored_as, match.part)))


def find_leftovers(
    image: Image, text: str, *, outside: Sequence[Span] = ()
) -> tuple[IdentityMatch, ...]:
    """The matches of an identity that do not lie wholly inside the spans `outside`.

    "Wholly" is about the occupied bytes: foreign bytes between pieces do not matter. A
    match that is half inside is reported, since the rest of it stays.

    Raises:
        ValueError: `text` is no identity.
    """
    spans = union_spans(outside)
    return tuple(
        match
        for match in find_identity(image, text)
        if not all(any(span.contains(piece) for span in spans) for piece in match.pieces)
    )


def find_paired(image_a: Image, vin_a: str, image_b: Image, vin_b: str) -> tuple[PairedMatch, ...]:
    """Where each image holds what derives from its own identity, in the same form.

    A part that both identities share is no evidence and is left out.

    Raises:
        ValueError: one of the texts is no identity.
    """
    tails_a, tails_b = (dict(_parts_of(normalise_identity(text))) for text in (vin_a, vin_b))
    in_b = {_key_of(match): match for match in find_identity(image_b, vin_b)}
    pairs = []
    for match in find_identity(image_a, vin_a):
        other = in_b.get(_key_of(match))
        if other is None:
            continue
        # A number may be the last six digits of one identity, with a zero in front, and
        # the last five of the other: what both hold is the shorter part.
        part = max(match.part, other.part, key=_PARTS.index)
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
    names = [
        "+".join(step.kind for step in needles[0].form.steps) for needles in make_needles(b"A1B2")
    ]
    return (*names, _SPLIT.name)


def list_searched_parts() -> tuple[str, ...]:
    """Names of the parts an identity is searched by."""
    return tuple(part.value for part in Part)


def describe_search() -> str:
    """For a report: what was searched, as one clause without a full stop."""
    return (
        f"searched whole and by the last 8, 6 and 5 characters, as text in"
        f" {len(list_searched_forms())} stored forms, as BCD and as integers of 2 to 4 bytes"
    )


def _parts_of(identity: str) -> tuple[tuple[Part, str], ...]:
    tails = [(part, identity[-size:]) for part, size in _TAILS.items() if len(identity) > size]
    return ((Part.WHOLE, identity), *tails)


_Rank = tuple[int, int, int]
"""Part, form, needle of the form: of matches in the same bytes the lowest is kept."""


@dataclass(frozen=True, slots=True)
class _Search:
    """One part in one coding and form, and its place in the order of preference."""

    part_rank: int
    form_rank: int
    part: Part
    coding: Coding
    needles: tuple[Needle, ...]


_Hit = tuple[_Rank, IdentityMatch]
"""The rank of the search, and what it found."""


def _list_searches(part: Part, piece: str) -> Iterator[_Search]:
    families = [(Coding.TEXT, needles) for needles in make_needles(piece.encode("ascii"))]
    if piece.isdigit():
        families += [(Coding.BCD, needles) for needles in make_bcd_needles(piece)]
        families += [(Coding.INTEGER, needles) for needles in make_integer_needles(piece)]
    for number, (coding, needles) in enumerate(families):
        yield _Search(_PARTS.index(part), number, part, coding, needles)


def _find_needles(image: Image, searches: Sequence[_Search], mix: ByteMix) -> Iterator[_Hit]:
    """Every hit of every search; each view of the image is made once."""
    by_view: dict[tuple[int, int], list[tuple[_Search, int, Needle]]] = {}
    for search in reversed(searches):
        for number, needle in enumerate(search.needles):
            view_kind = (needle.unit, needle.stride)
            by_view.setdefault(view_kind, []).append((search, number, needle))
    chances: dict[_Search, float] = {}
    for (unit, stride), entries in by_view.items():
        for view in make_views(image, unit=unit, stride=stride):
            for search, number, form, trace in _find_in_view(view, entries):
                if search not in chances:
                    chances[search] = sum(
                        compute_needle_chance(each, mix) for each in search.needles
                    )
                rank = (search.part_rank, search.form_rank, number)
                match = _make_match(form, trace, search.part, search.coding, chances[search])
                yield rank, match


def _find_in_view(
    view: View, entries: Sequence[tuple[_Search, int, Needle]]
) -> Iterator[tuple[_Search, int, StoredForm, Trace]]:
    """Hits in one view. Entries come with the shortest part first: where a form holds it
    nowhere, it holds no longer part, and those are not searched."""
    searched: dict[tuple[str, ...], tuple[Part, bool]] = {}
    for search, number, needle in entries:
        kinds = tuple(step.kind for step in needle.form.steps)
        # Whether a field swapped by itself holds the shorter part depends on its length.
        contiguous = search.coding is Coding.TEXT and not needle.alone
        shorter, found = searched.get(kinds, (search.part, False))
        if contiguous and shorter is not search.part and not found:
            continue
        for form, trace in find_needle(needle, view):
            found = True
            yield search, number, form, trace
        if contiguous and shorter is search.part:
            searched[kinds] = (search.part, found)


def _find_split_part(image: Image, part: Part, piece: str, mix: ByteMix) -> Iterator[_Hit]:
    """Hits of a whole text rank behind its other forms, those of a tail behind everything."""
    text = piece.encode("ascii")
    rank = 0 if part is Part.WHOLE else len(_PARTS) + _PARTS.index(part)
    chance = count_ways(len(text)) * mix.size * mix.of_needle(text, b"\xff" * len(text))
    for trace in find_split(text, image):
        match = _make_match(_SPLIT, trace, part, Coding.TEXT, chance)
        yield (rank, _LAST_FORM, 0), match


def _make_match(
    form: StoredForm, trace: Trace, part: Part, coding: Coding, chance: float
) -> IdentityMatch:
    return IdentityMatch(
        span=trace.span,
        stored_as=form.name,
        part=part,
        coding=coding,
        expected_by_chance=chance,
        pieces=trace.pieces,
        mask=trace.mask,
    )


def _without_repeats(hits: Sequence[_Hit]) -> list[IdentityMatch]:
    """Of matches that share more than half of their bytes the first by `_order_of_keeping`.

    A whole text hides its parts, the earlier form the later one, but what chance explains
    hides nothing that it does not. Two copies side by side share one byte at most, in
    packed forms.
    """
    kept: list[IdentityMatch] = []
    owners: dict[int, list[int]] = {}
    for _, match in sorted(hits, key=_order_of_keeping):
        addresses = [address for piece in match.pieces for address in range(piece.start, piece.end)]
        shared = Counter(number for address in addresses for number in owners.get(address, ()))
        most = max(shared.values(), default=0)
        # Pieces that were put together from a match and a stray character are no other copy.
        borrowed = match.stored_as == _SPLIT.name and most > 0
        if 2 * most > len(addresses) or borrowed:
            continue
        for address in addresses:
            owners.setdefault(address, []).append(len(kept))
        kept.append(match)
    return kept


def _order_of_keeping(hit: _Hit) -> tuple[bool, _Rank, Span]:
    """What is telling first, then by rank.

    Where zeros lie around UTF-16 and both orders fit, its units begin at even addresses.
    """
    (part, form, needle), match = hit
    if match.stored_as.startswith("utf-16"):
        form, needle = _FORM_OF_WIDE_TEXT, match.span.start % 2
    return not match.is_telling, (part, form, needle), match.span


def _key_of(match: IdentityMatch) -> tuple[str, Coding, tuple[Span, ...], bytes]:
    return match.stored_as, match.coding, match.pieces, match.mask
