"""VINs that nobody has told: found by their structure, believed by what chance makes.

What is reported without being asked for more:

1. Check digit and four digits at the end, in any form. In a run of more than twenty
   characters, and under a key or in six bits a character, also a maker's code that is
   assigned to a country. A run so long must not come of swapping, reversing or spacing,
   which find a VIN in any long text. Under a key two neighbours at most fit as well, and
   none where the text is as smooth as a table, with fewer than five large steps.
2. Four digits at the end without a matching check digit, which many markets do not ask
   for: only where the text stands alone (a run of seventeen characters, or of several
   seventeens, or up to three accidental neighbours more), outside plain text only with a
   maker's code that is assigned to a country, and never under a key or in six bits: there
   tables and text make such readings by the dozen, as was measured.
3. A check digit without four digits at the end: only alone and in plain text.

Each of them only while the number that chance gives of its kind, in its form, in an image
of this size and mix, is below `CHANCE_LIMIT`. Under keys and in packed forms near misses
count as well, see `memtool.core.identity.vin_chances`: the larger number counts.

`deep` asks for the rest: forms in which chance makes more, texts of the mere shape, less
clear neighbourhoods, keys without a check digit.

Of several readings of the same bytes the one is reported for which most speaks, see
`VinCandidate.bits`; among equals the earlier form of the closed list. Only where two keys
read the same bytes equally well both are reported: nothing tells which is right.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from memtool.core.identity.chance import CHANCE_LIMIT
from memtool.core.identity.stored_forms import StoredForm
from memtool.core.identity.vin import CheckDigitState, check_digit_state
from memtool.core.identity.vin_candidates import VinCandidate, is_clear
from memtool.core.identity.vin_chances import NearMisses, VinChances
from memtool.core.identity.vin_in_bits import searches_in_bits
from memtool.core.identity.vin_in_bytes import find_in_bytes
from memtool.core.identity.vin_under_key import searches_under_key
from memtool.core.image import Image
from memtool.core.span import Span

_SHORTEST = 13
"""Bytes that hold seventeen characters of six bits, the densest form."""
_SHARED_BYTES = 2
"""Two packed texts side by side share a byte; readings of the same bytes share many."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VinFinding:
    """A text that has the structure of a VIN."""

    text: str
    """Seventeen characters of the VIN alphabet."""
    span: Span
    """From the first to the last byte, foreign bytes between included."""
    stored_as: str
    """Name of the stored form, key or bit offset included."""
    check_digit: CheckDigitState
    expected_by_chance: float
    """Texts of at least this structure that chance gives in such an image, in this form."""
    pieces: tuple[Span, ...]
    """The byte runs that are really occupied."""
    mask: bytes
    """One for each byte of `pieces`, in order: its bits that belong to the text."""


def find_vins(image: Image, *, deep: bool = False) -> tuple[VinFinding, ...]:
    """Find what has the structure of a VIN, in every stored form but ``split``.

    Args:
        image: A gap between segments breaks a text.
        deep: Report what chance may have made as well, see the module.

    Returns:
        Sorted by address. Two findings share no byte, packed ones at most two, but for
        readings under two keys that are equally good.
    """
    near_misses = NearMisses()
    wanted = list(_find_candidates(image, near_misses, deep=deep))
    if not deep:
        clear = (each for each in wanted if is_clear(each.form, each.shape, each.run))
        wanted = [each for each in clear if near_misses.expected(each) < CHANCE_LIMIT]
    if not wanted:
        return ()
    chances = VinChances(image, wanted, near_misses)
    likely = [each for each in wanted if deep or chances.expected(each) < CHANCE_LIMIT]
    findings = [_make_finding(candidate, chances) for candidate in _choose_readings(likely)]
    return tuple(sorted(findings, key=lambda finding: (finding.span, finding.stored_as)))


def _find_candidates(
    image: Image, near_misses: NearMisses, *, deep: bool
) -> Iterator[VinCandidate]:
    """All texts of the shape; unless `deep`, those left out that are not reported anyway."""
    for segment in image.segments:
        if len(segment.data) < _SHORTEST:
            continue
        in_bytes = find_in_bytes(segment, deep=deep)
        for search in (in_bytes, *searches_under_key(segment), *searches_in_bits(segment)):
            for candidate in search:
                near_misses.note(candidate)
                yield candidate
                if not deep and near_misses.rule_out(candidate.form):
                    break


def _choose_readings(candidates: Iterable[VinCandidate]) -> list[VinCandidate]:
    """The candidates that are left when each byte is read in one way."""
    chosen: list[VinCandidate] = []
    owner: dict[int, list[int]] = {}
    for candidate in sorted(candidates, key=_preference):
        shared: dict[int, int] = {}
        for address, _ in candidate.trace.cells():
            for number in owner.get(address, ()):
                shared[number] = shared.get(number, 0) + 1
        packed = candidate.form.is_packed
        rivals = [chosen[number] for number in shared]
        if any(_is_as_good(candidate, rival) for rival in rivals):
            chosen.append(candidate)
            continue
        if shared and (not packed or max(shared.values()) > _SHARED_BYTES):
            continue
        for address, _ in candidate.trace.cells():
            owner.setdefault(address, []).append(len(chosen))
        chosen.append(candidate)
    return chosen


def _is_as_good(candidate: VinCandidate, rival: VinCandidate) -> bool:
    """Whether two keys read the same bytes equally well, so that nothing tells which is right."""
    kinds, others = ([step.kind for step in each.form.steps] for each in (candidate, rival))
    keyed = kinds[-1] in ("xor", "added") and kinds == others
    return keyed and candidate.trace == rival.trace and candidate.bits == rival.bits


def _preference(candidate: VinCandidate) -> tuple[object, ...]:
    """Sorts the reading to believe first."""
    return -candidate.bits, _form_rank(candidate.form), candidate.trace.span


def _form_rank(form: StoredForm) -> tuple[object, ...]:
    """The place of a form in the closed list, pairs behind all single forms."""
    return len(form.steps), [(_KIND_ORDER.index(step.kind), step.number) for step in form.steps]


_KIND_ORDER = (
    *("plain", "lower-case", "swapped-16", "swapped-32", "reversed", "every-2", "every-4"),
    *("utf-16-be", "utf-16-le", "inverted", "nibbles-swapped", "bits-reversed", "xor", "added"),
    *("packed-7-msb", "packed-7-lsb", "packed-6-msb", "packed-6-lsb", "split"),
)


def _make_finding(candidate: VinCandidate, chances: VinChances) -> VinFinding:
    return VinFinding(
        text=candidate.text,
        span=candidate.trace.span,
        stored_as=candidate.form.name,
        check_digit=check_digit_state(candidate.text),
        expected_by_chance=chances.expected(candidate),
        pieces=candidate.trace.pieces,
        mask=candidate.trace.mask,
    )
