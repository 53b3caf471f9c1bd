"""What chance makes of unknown VINs in one image: by its mix of bytes, and by near misses.

The model is that of `memtool.core.texts.chance`. Independent bytes make far more texts under a
key than code and tables do, and fewer every-second-letter texts than real text does: two numbers
measured on real firmware bound the model there. Under keys and in packed forms the image itself
says more: where it holds near misses, texts of the same form with four digits at the
end and a wrong check digit, about one in 33 of so many has the right one by chance. A VIN
under a key is often read under another key too, with a wrong check digit. So what lies
across a clear reading with the right one is no near miss: a module keeps its VIN twice.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from math import comb

from memtool.core.image import Image, Segment
from memtool.core.runs import array_of, rows_of_bytes
from memtool.core.span import Span
from memtool.core.texts.chance import (
    VIN_CODES,
    ByteMix,
    CharacterChances,
    chances_of_bytes,
    measure_mix,
)
from memtool.core.texts.form_table import BY_NAME, Family, Form
from memtool.core.texts.key_steps import xor_steps
from memtool.core.texts.stored_forms import Step, StoredForm, storing_table
from memtool.core.texts.vin import VIN_LENGTH
from memtool.core.texts.vin_candidates import VinCandidate, is_clear
from memtool.core.texts.vin_in_bits import measure_packed_chances
from memtool.lazy import np

_EQUAL_STEPS = 8
_NO_STEP = bytes([1]) + bytes(255)
"""Marks the step between equal bytes."""
MOST_OF_ONE = 7
"""Times that one character stands in a VIN at most, see `memtool.core.texts.vin_shape`."""
_UNDER_KEY = 5e-5
"""The most texts with four digits at the end, for each byte and in one keyed form, that an image
is taken to make by chance: with it the expected numbers are those of real firmware, measured with
tests/bench/measure_false_vins.py."""
IN_LONG_TEXTS = 1e-7
"""The same without a key, in one form, of texts that nothing around speaks for: words, names and
numbers make more of them than independent bytes would."""
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
        if not shape.check_digit and candidate.form.last.counts_near_misses:
            # Windows side by side are one near miss: places are counted by seventeens.
            place = candidate.trace.span.start // VIN_LENGTH
            self._places.setdefault(candidate.form.kinds, set()).add(place)
        # What lies across a clear VIN is that VIN under another key.
        elif shape.check_digit and is_clear(candidate.form, shape, candidate.run):
            self._explained.update(_places_around(candidate))
        # Made from the two sets above, which have just changed.
        self._left.clear()

    def expected(self, candidate: VinCandidate) -> float:
        """Texts like this one that the near misses elsewhere make likely."""
        kinds = candidate.form.kinds
        if kinds not in self._left:
            self._left[kinds] = self._places.get(kinds, set()) - self._explained
        left = self._left[kinds]
        # What lies across the candidate itself does not speak against it.
        elsewhere = len(left) - sum(place in left for place in _places_around(candidate))
        # A check digit is right by chance once in as many as there are characters.
        return elsewhere / (33 if candidate.shape.check_digit else 1)

    def rule_out(self, form: StoredForm) -> bool:
        """Whether so many are known that nothing else in this form is to be believed."""
        return len(self._places.get(form.kinds, ())) >= _MANY


def _places_around(candidate: VinCandidate) -> range:
    span = candidate.trace.span
    # In seventeens, as in `note`: a text that begins up to two of them earlier may reach into it.
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
        # A VIN that is there would make its own bytes likely, and filler those of nothing.
        self._mix = measure_mix(
            image, without=(_bytes_apart(segment, spans) for segment in image.segments)
        )
        self._known: dict[tuple[tuple[str, ...], bool, bool], float] = {}

    def expected(self, candidate: VinCandidate) -> float:
        """Texts of at least this structure in this form."""
        shape = candidate.shape
        by_model = self._by_model(candidate)
        if candidate.form.last.family is not Family.KEYED and not is_clear(
            candidate.form, shape, candidate.run
        ):
            by_model = max(by_model, IN_LONG_TEXTS * self._mix.size)
        return max(by_model, self._near_misses.expected(candidate))

    def _by_model(self, candidate: VinCandidate) -> float:
        key = (candidate.form.kinds, candidate.shape.check_digit, candidate.shape.serial)
        if key not in self._known:
            kinds, check_digit, serial = key
            # Kinds without their keys and phases: these are summed over all of them.
            self._known[key] = self.of_kind(kinds, check_digit=check_digit, serial=serial)
        return self._known[key]

    def of_kind(self, kinds: tuple[str, ...], *, check_digit: bool, serial: bool) -> float:
        """Texts in the forms of these names that have what is asked for, by the mix alone."""
        first, last = BY_NAME[kinds[0]], BY_NAME[kinds[-1]]
        # One way for each phase of the words, one more for a field swapped by itself.
        ways = first.unit + 1 if first.family is Family.WORDS else 1
        if last.family is Family.PACKED:
            found = [measure_packed_chances(segment.data, last) for segment in self._image.segments]
            chances = max(found, key=lambda chance: chance.alphabet)
            return (
                # A packed text may begin at any bit.
                8 * ways * self._mix.size * chances.of_vin(check_digit=check_digit, serial=serial)
            )
        by_key = (
            chances.of_vin(check_digit=check_digit, serial=serial) * varied
            for chances, varied in _chances_of_form(last, self._mix)
        )
        expected = ways * self._mix.size * sum(by_key)
        if last.family is Family.KEYED:
            # Of independent bytes: those of code and tables come in runs, and far fewer fit.
            measured = _UNDER_KEY * self._mix.size * (1 / 33 if check_digit else 1)
            expected = min(expected, measured)
        # Beside each of the seventeen characters of UTF-16 stands a zero.
        zeros = VIN_LENGTH if last.family is Family.WIDE else 0
        return expected * self._mix.chances[0] ** zeros


def _chances_of_form(form: Form, mix: ByteMix) -> Iterator[tuple[CharacterChances, float]]:
    """Of the bytes that stand for characters; one for each key of a keyed form.

    Each with the chance that no character of such a text stands in it too often for a VIN.
    """
    for key in range(1, 256) if form.family is Family.KEYED else (0,):
        step = Step(form.name, key) if form.store is not None else Step("plain")
        table = storing_table(step)
        chances = chances_of_bytes(mix, table)
        commonest = max(mix.chances[table[code]] for code in VIN_CODES)
        # Given that all are of the alphabet, the share of the commonest among them.
        yield chances, _chance_of_at_most(MOST_OF_ONE, commonest / chances.alphabet)


def _chance_of_at_most(most: int, share: float) -> float:
    """That a character of this share stands in seventeen at most so many times."""
    share = min(1.0, share)
    return sum(
        comb(VIN_LENGTH, number) * share**number * (1 - share) ** (VIN_LENGTH - number)
        for number in range(most + 1)
    )


def _bytes_apart(segment: Segment, spans: Iterable[Span]) -> bytes:
    """The bytes of a segment that lie in a span, or in a run of more than eight equal ones."""
    if len(segment.data) <= _EQUAL_STEPS and not any(map(segment.span.overlaps, spans)):
        return b""
    equal = rows_of_bytes(xor_steps(segment.data), _NO_STEP, _EQUAL_STEPS)
    # Up where a run begins and down behind it. n equal steps are n + 1 equal bytes.
    edges = np.zeros(len(segment.data) + 1, np.int8)
    edges[equal[:, 0]] += 1
    edges[equal[:, 1] + 1] -= 1
    apart = np.cumsum(edges[:-1], dtype=np.int8).view(np.bool_)
    for span in spans:
        apart[max(0, span.start - segment.start) : max(0, span.end - segment.start)] = True
    return array_of(segment.data)[apart].tobytes()
