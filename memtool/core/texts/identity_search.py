"""Searching one known identity: all parts, codings and forms, and which match hides which."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from functools import lru_cache
from math import lcm
from typing import NamedTuple

from memtool.core.image import Image
from memtool.core.span import Span
from memtool.core.texts.chance import REPORTED_BELOW, ByteMix, measure_mix
from memtool.core.texts.form_table import Family, forms_of
from memtool.core.texts.identity_match import (
    Coding,
    IdentityMatch,
    Part,
    list_parts,
    normalise_identity,
)
from memtool.core.texts.key_steps import LONG
from memtool.core.texts.long_runs import Condensed, condense, find_long_runs
from memtool.core.texts.needle_search import (
    CorePlaces,
    compute_needle_chance,
    find_cores,
    find_needle,
)
from memtool.core.texts.needles import Needle, make_needles
from memtool.core.texts.number_needles import make_bcd_needles, make_integer_needles
from memtool.core.texts.split_search import MOST_FOREIGN, count_ways, find_split
from memtool.core.texts.stored_forms import StoredForm, parse_stored_form
from memtool.core.texts.string_places import WORTH_IT
from memtool.core.texts.trace import Trace
from memtool.core.texts.view import View, make_views

_Searched = tuple[tuple[Part, str], ...]
"""The parts that are looked for, each with its characters."""
_SPLIT = parse_stored_form("split")
_PARTS = list(Part)
_LAST_FORM = 1000
"""The rank of ``split`` among the forms."""
_FORM_OF_WIDE_TEXT = 2
"""The rank of UTF-16: before ``every-2``, which says less about the same bytes."""
_WIDE = frozenset(form.name for form in forms_of(Family.WIDE))


def find_identity(image: Image, text: str, *, parts: bool = True) -> tuple[IdentityMatch, ...]:
    """Find every place where `image` holds `text`, or its end, in any stored form.

    Matches that share more than half of their bytes with a match of more of the text, or of
    an earlier form, are not reported again.

    Args:
        image: A gap between segments breaks a text.
        text: Letters count as capitals; the form ``lower-case`` finds small ones.
        parts: Look for the last 8, 6 and 5 characters as well.

    Returns:
        Sorted by address. Of one part and form at most 200 in one view.

    Raises:
        ValueError: `text` is no identity, see `normalise_identity`.
    """
    return _find_identity(image, normalise_identity(text), parts)


@lru_cache(maxsize=8)
def _find_identity(image: Image, identity: str, parts: bool) -> tuple[IdentityMatch, ...]:
    """The same, kept for the last ones: several rules of one command ask the same thing."""
    searched = list_parts(identity) if parts else ((Part.WHOLE, identity),)
    searches = [search for part, piece in searched for search in _list_searches(part, piece)]
    mix = _mix_of(image)
    condensed = _condense(image, searched, searches, mix)
    kept = _without_repeats(_find_all(condensed.image, searched, searches, mix))
    matches = [_in_whole_image(match, condensed) for match in kept]
    return tuple(sorted(matches, key=lambda match: (match.span, match.stored_as, match.part)))


# Several identities are looked for in one image.
@lru_cache(maxsize=2)
def _mix_of(image: Image) -> ByteMix:
    return measure_mix(image)


def _find_all(
    image: Image, searched: _Searched, searches: Sequence[_Search], mix: ByteMix
) -> list[_Hit]:
    hits = list(_find_needles(image, searches, mix))
    hits += _find_split_parts(image, searched, mix)
    return hits


def _condense(
    image: Image, searched: _Searched, searches: Sequence[_Search], mix: ByteMix
) -> Condensed:
    """The image without the insides of long runs of bytes that alone hold nothing of it."""
    whole = condense(image, (), margin=1, step=1, values=())
    # A small image is searched sooner than numpy is loaded.
    runs = () if image.size < LONG else find_long_runs(image)
    if not runs:
        return whole
    needles = [needle for search in searches for needle in search.needles]
    shape = [(len(needle.values), needle.unit, needle.stride) for needle in needles]
    longest = max(size * stride + 2 * unit for size, unit, stride in shape)
    margin = max(longest, *(len(piece) + 2 * MOST_FOREIGN for _, piece in searched))
    step = lcm(2, *(unit * stride for _, unit, stride in shape))
    # Digits that are zeros stand in zeros: what a run by itself holds is looked for in all of it.
    empty = [
        value
        for value in {run.value for run in runs}
        if not _find_all(
            Image.from_bytes(bytes([value]) * 2 * (margin + step)), searched, searches, mix
        )
    ]
    left = condense(image, runs, margin=margin, step=step, values=empty)
    # Short data is searched text by text, which takes longer than one pass over some times as much.
    return left if left.image.size >= WORTH_IT or 8 * left.image.size < image.size else whole


def _in_whole_image(match: IdentityMatch, condensed: Condensed) -> IdentityMatch:
    if len(condensed.places) == len(condensed.image.segments):
        return match
    pieces = tuple(map(condensed.real, match.pieces))
    return match._replace(span=condensed.real(match.span), pieces=pieces)


_Rank = tuple[int, int, int]
"""Part, form, needle of the form: of matches in the same bytes the lowest is kept."""


class _Search(NamedTuple):
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
    # Shortest part first, see `_find_in_view`.
    for search in reversed(searches):
        for number, needle in enumerate(search.needles):
            view_kind = (needle.unit, needle.stride)
            by_view.setdefault(view_kind, []).append((search, number, needle))
    chances: dict[_Search, float] = {}
    unspaced = [
        needle
        for (_, stride), entries in by_view.items()
        if stride == 1
        for _, _, needle in entries
    ]
    of_view = {kind: [needle for _, _, needle in entries] for kind, entries in by_view.items()}
    shortest = {
        kind: min(len(needle.values) for needle in needles) for kind, needles in of_view.items()
    }
    shortest_of_all = min(shortest.values())
    for segment in image.segments:
        # An image may have thousands of segments of a byte or two.
        if len(segment.data) < shortest_of_all:
            continue
        known_unspaced = find_cores(unspaced, View(segment))
        for (unit, stride), entries in by_view.items():
            needles, least = of_view[unit, stride], shortest[unit, stride]
            for view in make_views(segment, unit=unit, stride=stride, least=least):
                known = known_unspaced if stride == 1 else find_cores(needles, view)
                for search, number, form, trace in _find_in_view(view, entries, known):
                    if search not in chances:
                        chances[search] = sum(
                            compute_needle_chance(each, mix) for each in search.needles
                        )
                    rank = (search.part_rank, search.form_rank, number)
                    match = _make_match(form, trace, search.part, search.coding, chances[search])
                    yield rank, match


def _find_in_view(
    view: View, entries: Sequence[tuple[_Search, int, Needle]], known: CorePlaces
) -> Iterator[tuple[_Search, int, StoredForm, Trace]]:
    """Hits in one view. Entries come with the shortest part first: where a form holds it
    nowhere, it holds no longer part, and those are not searched."""
    searched: dict[tuple[str, ...], tuple[Part, bool]] = {}
    for search, number, needle in entries:
        kinds = needle.form.kinds
        # Whether a field swapped by itself holds the shorter part depends on its length.
        contiguous = search.coding is Coding.TEXT and not needle.alone
        shorter, found = searched.get(kinds, (search.part, False))
        if contiguous and shorter is not search.part and not found:
            continue
        for form, trace in find_needle(needle, view, known):
            found = True
            yield search, number, form, trace
        if contiguous and shorter is search.part:
            searched[kinds] = (search.part, found)


def _find_split_parts(image: Image, searched: _Searched, mix: ByteMix) -> Iterator[_Hit]:
    """Hits of a whole text rank behind its other forms, those of a tail behind everything."""
    parts = {piece.encode("ascii"): part for part, piece in searched}
    for text, trace in find_split(tuple(parts), image):
        part = parts[text]
        rank = 0 if part is Part.WHOLE else len(_PARTS) + _PARTS.index(part)
        chance = count_ways(len(text)) * mix.size * mix.of_needle(text, b"\xff" * len(text))
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
    """What chance does not explain first, then by rank.

    Where zeros lie around UTF-16 and both orders fit, its units begin at even addresses.
    """
    (part, form, needle), match = hit
    if match.stored_as in _WIDE:
        form, needle = _FORM_OF_WIDE_TEXT, match.span.start % 2
    return match.expected_by_chance >= REPORTED_BELOW, (part, form, needle), match.span
