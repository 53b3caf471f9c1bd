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
of this size and mix, is below `CHANCE_LIMIT`. Under keys and in packed forms the image itself
says more about chance than the mix does: where it holds near misses, texts of the same form
with four digits at the end and a wrong check digit, about one in 33 of so many has the
right one by chance, and the larger number counts.

`deep` asks for the rest: forms in which chance makes more, texts of the mere shape, less
clear neighbourhoods, keys without a check digit.

Of several readings of the same bytes the one is reported for which most speaks, see
`VinCandidate.bits`; among equals the earlier form of the closed list. Only where two keys
read the same bytes equally well both are reported: nothing tells which is right.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from memtool.core.identity.chance import (
    CHANCE_LIMIT,
    ByteMix,
    CharacterChances,
    chances_of_bytes,
    measure_mix,
)
from memtool.core.identity.stored_forms import (
    ORDER_STEPS,
    SPACING_STEPS,
    Step,
    StoredForm,
    undoing_table,
)
from memtool.core.identity.view import View
from memtool.core.identity.vin import VIN_LENGTH, CheckDigitState, check_digit_state
from memtool.core.identity.vin_candidates import NEARLY_EXACT, VinCandidate
from memtool.core.identity.vin_in_bits import find_in_bits, measure_packed_chances
from memtool.core.identity.vin_in_bytes import find_in_bytes
from memtool.core.identity.vin_under_key import find_under_key
from memtool.core.image import Image
from memtool.core.span import Span, union_spans

_SHORTEST = 13
"""Bytes that hold seventeen characters of six bits, the densest form."""
_EQUAL_STEPS = re.compile(rb"\x00{8,}")
_DOUBTFUL = ("xor", "added", "packed-6-msb", "packed-6-lsb")
"""Forms in which tables and text often look like a VIN."""
_MEASURED = ("xor", "added", "packed-7-msb", "packed-7-lsb", "packed-6-msb", "packed-6-lsb")
"""Forms in which near misses are counted."""
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
    candidates = [
        candidate
        for segment in image.segments
        if len(segment.data) >= _SHORTEST
        for find in (find_in_bytes, find_under_key, find_in_bits)
        for candidate in find(segment)
    ]
    wanted = [candidate for candidate in candidates if deep or _is_clear(candidate)]
    if not wanted:
        return ()
    chances = _Chances(image, wanted, candidates)
    likely = [
        candidate for candidate in wanted if deep or chances.expected(candidate) < CHANCE_LIMIT
    ]
    findings = [_make_finding(candidate, chances) for candidate in _choose_readings(likely)]
    return tuple(sorted(findings, key=lambda finding: (finding.span, finding.stored_as)))


def _is_clear(candidate: VinCandidate) -> bool:
    """Whether the rules of the module report it without being asked for more."""
    shape, run = candidate.shape, candidate.run
    last = candidate.form.steps[-1].kind
    plain, doubtful = candidate.form.name == "plain", last in _DOUBTFUL
    reordered = candidate.form.steps[0].kind in (*ORDER_STEPS, *SPACING_STEPS)
    if last in ("xor", "added"):
        sound = shape.check_digit and shape.serial and shape.country
        neighbours = 2 if shape.large_steps >= 5 else 0
        return sound and run is not None and run <= VIN_LENGTH + neighbours
    if shape.check_digit and shape.serial:
        if run is not None and run > NEARLY_EXACT:
            return shape.country and not reordered
        return shape.country or not doubtful
    if shape.serial:
        near = run is None or run <= NEARLY_EXACT
        return near and not doubtful and (shape.country or (plain and run == VIN_LENGTH))
    return shape.check_digit and plain and run == VIN_LENGTH


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


class _Chances:
    """What chance makes in one image, computed once for each form that was found."""

    def __init__(
        self, image: Image, wanted: Sequence[VinCandidate], candidates: Sequence[VinCandidate]
    ) -> None:
        """Measure the image.

        Args:
            image: What was searched.
            wanted: What may be reported; its bytes are left out of the mix.
            candidates: All texts of the shape: where they are near misses, they count.
        """
        self._image = image
        spans = [piece for candidate in wanted for piece in candidate.trace.pieces]
        apart = union_spans([*spans, *_filler_of(image)])
        self._mix = measure_mix(image, without=(image.read(span) for span in apart))
        self._known: dict[tuple[tuple[str, ...], bool, bool], float] = {}
        self._misses: dict[tuple[str, ...], set[int]] = {}
        for candidate in candidates:
            kinds = tuple(step.kind for step in candidate.form.steps)
            if kinds[-1] in _MEASURED and not candidate.shape.check_digit:
                # Windows side by side are one near miss: places are counted by seventeens.
                place = candidate.trace.span.start // VIN_LENGTH
                self._misses.setdefault(kinds, set()).add(place)

    def expected(self, candidate: VinCandidate) -> float:
        """Texts of at least this structure in this form."""
        kinds = tuple(step.kind for step in candidate.form.steps)
        span, misses = candidate.trace.span, self._misses.get(kinds, set())
        own = range(span.start // VIN_LENGTH - 2, span.end // VIN_LENGTH + 1)
        elsewhere = len(misses) - sum(place in misses for place in own)
        by_misses = elsewhere / (33 if candidate.shape.check_digit else 1)
        return max(self._by_model(candidate), by_misses)

    def _by_model(self, candidate: VinCandidate) -> float:
        kinds = tuple(step.kind for step in candidate.form.steps)
        key = (kinds, candidate.shape.check_digit, candidate.shape.serial)
        if key not in self._known:
            self._known[key] = self._compute(*key)
        return self._known[key]

    def _compute(self, kinds: tuple[str, ...], check_digit: bool, serial: bool) -> float:
        last, ways = kinds[-1], 1
        if kinds[0].startswith("swapped"):
            ways = int(kinds[0][-2:]) // 8 + 1
        if last.startswith("packed"):
            found = [measure_packed_chances(segment.data, last) for segment in self._image.segments]
            chances = max(found, key=lambda chance: chance.alphabet)
            return (
                8 * ways * self._mix.size * chances.of_vin(check_digit=check_digit, serial=serial)
            )
        by_key = (
            chances.of_vin(check_digit=check_digit, serial=serial)
            for chances in _chances_of_kind(last, self._mix)
        )
        expected = ways * self._mix.size * sum(by_key)
        return expected * self._mix.chances[0] ** VIN_LENGTH if "utf-16" in last else expected


def _chances_of_kind(kind: str, mix: ByteMix) -> Iterator[CharacterChances]:
    """Of the bytes that stand for characters; one for each key of a keyed form."""
    if kind in ("xor", "added"):
        for key in range(1, 256):
            add = int.__xor__ if kind == "xor" else _add
            yield chances_of_bytes(mix, [add(code, key) for code in range(256)])
    elif kind == "lower-case":
        yield chances_of_bytes(mix, bytes(range(256)).lower())
    elif kind in ("inverted", "nibbles-swapped", "bits-reversed"):
        # These undo themselves.
        yield chances_of_bytes(mix, undoing_table(Step(kind)))
    else:
        yield chances_of_bytes(mix, range(256))


def _add(code: int, key: int) -> int:
    return (code + key) % 256


def _filler_of(image: Image) -> Iterator[Span]:
    """Runs of more than eight equal bytes."""
    for segment in image.segments:
        for match in _EQUAL_STEPS.finditer(View(segment).xor_steps):
            yield Span(segment.start + match.start(), segment.start + match.end() + 1)


def _make_finding(candidate: VinCandidate, chances: _Chances) -> VinFinding:
    return VinFinding(
        text=candidate.text,
        span=candidate.trace.span,
        stored_as=candidate.form.name,
        check_digit=check_digit_state(candidate.text),
        expected_by_chance=chances.expected(candidate),
        pieces=candidate.trace.pieces,
        mask=candidate.trace.mask,
    )
