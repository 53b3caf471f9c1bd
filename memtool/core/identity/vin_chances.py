"""What chance makes of unknown VINs in one image: by its mix of bytes, and by near misses.

The model is that of `memtool.core.identity.chance`. Under keys and in packed forms the image
itself says more: where it holds near misses, texts of the same form with four digits at the
end and a wrong check digit, about one in 33 of so many has the right one by chance. A VIN
under a key is often read under another key too, with a wrong check digit. So what lies
across a clear reading with the right one is no near miss: a module keeps its VIN twice.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from memtool.core.identity.chance import (
    ByteMix,
    CharacterChances,
    chances_of_bytes,
    measure_mix,
)
from memtool.core.identity.stored_forms import Step, StoredForm, undoing_table
from memtool.core.identity.view import View
from memtool.core.identity.vin import VIN_LENGTH
from memtool.core.identity.vin_candidates import VinCandidate, is_clear
from memtool.core.identity.vin_in_bits import measure_packed_chances
from memtool.core.image import Image
from memtool.core.span import Span, union_spans

_EQUAL_STEPS = re.compile(rb"\x00{8,}")
_MEASURED = ("xor", "added", "packed-7-msb", "packed-7-lsb", "packed-6-msb", "packed-6-lsb")
"""Forms in which near misses are counted."""
_MANY = 100
"""Near misses that make three VINs by chance, and that so many VINs are not to explain."""


class NearMisses:
    """Where an image holds texts that miss a VIN by the check digit, form by form."""

    def __init__(self) -> None:
        """None is known yet."""
        self._places: dict[tuple[str, ...], set[int]] = {}
        self._explained: set[int] = set()
        self._left: dict[tuple[str, ...], set[int]] = {}

    def note(self, candidate: VinCandidate) -> None:
        """Count a candidate that is one, or that explains others."""
        shape = candidate.shape
        if not shape.check_digit and candidate.form.steps[-1].kind in _MEASURED:
            # Windows side by side are one near miss: places are counted by seventeens.
            place = candidate.trace.span.start // VIN_LENGTH
            self._places.setdefault(_kinds(candidate.form), set()).add(place)
        elif shape.check_digit and is_clear(candidate.form, shape, candidate.run):
            self._explained.update(_places_around(candidate))
        self._left.clear()

    def expected(self, candidate: VinCandidate) -> float:
        """Texts like this one that the near misses elsewhere make likely."""
        kinds = _kinds(candidate.form)
        if kinds not in self._left:
            self._left[kinds] = self._places.get(kinds, set()) - self._explained
        left = self._left[kinds]
        elsewhere = len(left) - sum(place in left for place in _places_around(candidate))
        return elsewhere / (33 if candidate.shape.check_digit else 1)

    def rule_out(self, form: StoredForm) -> bool:
        """Whether so many are known that nothing else in this form is to be believed."""
        return len(self._places.get(_kinds(form), ())) >= _MANY


def _places_around(candidate: VinCandidate) -> range:
    span = candidate.trace.span
    return range(span.start // VIN_LENGTH - 2, span.end // VIN_LENGTH + 1)


class VinChances:
    """What chance makes in one image, computed once for each form that was found."""

    def __init__(
        self, image: Image, wanted: Iterable[VinCandidate], near_misses: NearMisses
    ) -> None:
        """Measure the image.

        Args:
            image: What was searched.
            wanted: What may be reported; from first to last byte it is left out of the mix.
            near_misses: Of the whole image.
        """
        self._image, self._near_misses = image, near_misses
        spans = [candidate.trace.span for candidate in wanted]
        apart = union_spans([*spans, *_filler_of(image)])
        self._mix = measure_mix(image, without=(image.read(span) for span in apart))
        self._known: dict[tuple[tuple[str, ...], bool, bool], float] = {}

    def expected(self, candidate: VinCandidate) -> float:
        """Texts of at least this structure in this form."""
        return max(self._by_model(candidate), self._near_misses.expected(candidate))

    def _by_model(self, candidate: VinCandidate) -> float:
        key = (_kinds(candidate.form), candidate.shape.check_digit, candidate.shape.serial)
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


def _kinds(form: StoredForm) -> tuple[str, ...]:
    return tuple(step.kind for step in form.steps)
