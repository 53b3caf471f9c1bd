"""Unknown VINs under an unknown key: every byte combined with it, or the key added.

What two neighbours have between them (their exclusive or, their difference) does not
change with the key. Between two characters of the VIN alphabet it is one of few values,
and where digits follow letters it is one of fewer still. Runs of such steps are looked for
first; only there the keys are tried, all at once as the bits of one number a byte.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from memtool.core.image import Segment
from memtool.core.texts.chance import DIGIT_CODES, VIN_CODES
from memtool.core.texts.form_table import Family, Form, forms_of, orders_of
from memtool.core.texts.stored_forms import Step, StoredForm, undoing_table
from memtool.core.texts.trace import make_trace
from memtool.core.texts.view import Parts, View
from memtool.core.texts.vin import VIN_LENGTH
from memtool.core.texts.vin_candidates import NEARLY_EXACT, VinCandidate
from memtool.core.texts.vin_chances import MOST_OF_ONE
from memtool.core.texts.vin_shape import find_vin_shape
from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from memtool.core.runs import Mask

    Places = NDArray[np.intp]
    KeyBits = NDArray[np.uint64]
    """256 rows of 256 bits: for each stored byte which keys there are, the lowest key first."""

_MARGIN = 8
"""Bytes on either side that are looked at: two of the largest words."""
_APART = b"\x00\x80"
"""No step of a text leads from one of these bytes to the other."""
_STEPS_IN_A_ROW = {1: 16, 2: 15, 4: 11}
"""How many steps of a text stand in a row when its words of so many bytes are swapped.

Seventeen characters have sixteen. Swapping pairs tears the last character off, or the first;
words of four bytes may begin so that up to three characters at each end lie apart.
"""
_NO_DIGITS = str.maketrans("", "", "0123456789")
_EQUAL_BYTES = re.compile(rb"\x00{9,}")


@dataclass(frozen=True, slots=True)
class _Keyed:
    """A keyed form, with what its search needs made ready once."""

    form: Form
    orders: tuple[Form | None, ...]
    """What is undone before it, None for nothing."""
    runs: dict[int, re.Pattern[bytes]]
    """Runs of steps between characters of the alphabet, by their least length."""
    crossing: re.Pattern[bytes]
    """A step between a letter and a digit."""
    marks: tuple[bytes, bytes, bytes]
    """For ``bytes.translate``: 1 for the steps between two characters of the alphabet, between a
    letter and a digit, and between two digits."""
    keys: KeyBits
    """For each stored byte the keys, as bits, under which it is a character of the alphabet."""
    digit_keys: KeyBits
    """The same for digits."""

    @property
    def swapped(self) -> tuple[Form | None, ...]:
        """The orders that keep neighbours near each other, plain first."""
        return tuple(each for each in self.orders if each is None or each.stride == 1)

    @property
    def spaced(self) -> tuple[Form, ...]:
        """The orders that put foreign bytes between characters."""
        return tuple(each for each in self.orders if each is not None and each.stride > 1)


@cache
def _keyed_forms() -> tuple[_Keyed, ...]:
    return tuple(_make_ready(form) for form in forms_of(Family.KEYED))


def _make_ready(form: Form) -> _Keyed:
    steps = form.key_steps
    assert steps is not None, f"{form.name} is keyed and has no steps"
    return _Keyed(
        form=form,
        orders=orders_of(form),
        runs={
            # The table writes its steps as the ranges of a character class.
            least: re.compile(b"[%b]{%d,}" % (steps.between, least))
            for least in set(_STEPS_IN_A_ROW.values())
        },
        crossing=re.compile(b"[%b]" % steps.crossing),
        marks=(_marks_of(steps.between), _marks_of(steps.crossing), _marks_of(steps.of_digits)),
        keys=_keys_by_byte(form, VIN_CODES),
        digit_keys=_keys_by_byte(form, DIGIT_CODES),
    )


def _marks_of(ranges: bytes) -> bytes:
    """1 for each byte value in the ranges of a character class, 0 for the others."""
    inside = re.compile(b"[%b]" % ranges, re.DOTALL)
    return bytes(inside.fullmatch(bytes([value])) is not None for value in range(256))


def _keys_by_byte(form: Form, codes: bytes) -> KeyBits:
    """For each stored byte the keys, as bits, under which it is one of these characters."""
    keys, store = [0] * 256, form.store
    assert store is not None, f"{form.name} is keyed and stores no bytes"
    for key in range(1, 256):
        if form.key_steps is not None and key in form.key_steps.named_otherwise:
            continue
        # Key 0 changes nothing: the forms without a key find that.
        for code in codes:
            keys[store(code, key)] |= 1 << key
    packed = b"".join(bits.to_bytes(32, "little") for bits in keys)
    return np.frombuffer(packed, np.uint64).reshape(256, 4)


def searches_under_key(segment: Segment) -> Iterator[Iterator[VinCandidate]]:
    """For each keyed form, alone and in its pairs: every candidate of one segment."""
    whole = View(segment)
    for keyed in _keyed_forms():
        units = [1 if order is None else order.unit for order in keyed.swapped]
        least = min(_STEPS_IN_A_ROW[unit] for unit in units)
        # The regions of the shortest runs hold those of all the others.
        regions = tuple(_regions(keyed, least, whole.key_steps(keyed.form)))
        for order, unit in zip(keyed.swapped, units, strict=True):
            enough = _STEPS_IN_A_ROW[unit]
            places = [(lo, end) for lo, end, length in regions if length >= enough]
            parts = Parts(whole, places, apart=_APART * unit)
            yield _in_order(keyed, order, parts)
        for order in keyed.spaced:
            for phase in range(order.stride):
                view = View(segment, stride=order.stride, phase=phase)
                regions_here = _regions(keyed, _STEPS_IN_A_ROW[1], view.key_steps(keyed.form))
                places = [(lo, end) for lo, end, _ in regions_here]
                yield _in_order(keyed, order, Parts(view, places, apart=_APART))


def _regions(keyed: _Keyed, least: int, steps: bytes) -> Iterator[tuple[int, int, int]]:
    """(first, end, length of the run of steps) of the bytes worth a look.

    The run must have `least` steps and hold one between a letter and a digit: in any order
    of the words it covers characters 4 to 14 at least, and a text that is accepted has a
    letter and a digit there. Long runs of equal bytes are cut out.
    """
    for match in keyed.runs[least].finditer(steps):
        if not keyed.crossing.search(steps, match.start(), match.end()):
            continue
        first, end = max(0, match.start() - _MARGIN), min(len(steps), match.end() + _MARGIN)
        # Filler is smooth under every key. It is cut out but for eight bytes at each edge: a
        # text may begin or end with a few characters equal to it.
        for equal in _EQUAL_BYTES.finditer(steps, first, end):
            if equal.start() + 8 - first >= VIN_LENGTH - 1:
                # Steps lie between bytes: eight equal steps are nine bytes.
                yield first, equal.start() + 9, len(match[0])
            # Runs of filler do not overlap, but the margin around one may reach into the next.
            first = max(first, equal.end() - 8)
        if end - first >= VIN_LENGTH - 1:
            yield first, end + 1, len(match[0])


def _in_order(keyed: _Keyed, order: Form | None, parts: Parts) -> Iterator[VinCandidate]:
    unit = 1 if order is None else order.unit
    before_it = () if order is None else (Step(order.name),)
    for phase in range(unit):
        # Swapped words are searched once for each place where a word may begin.
        view = View(parts.joined, unit=unit, phase=phase)
        for place, fitting in _windows_with_keys(keyed, view):
            stored = view.data[place : place + VIN_LENGTH]
            if _is_monotonous(stored):
                continue
            for key in _bits_of(fitting):
                undoing = undoing_table(Step(keyed.form.name, key))
                text = stored.translate(undoing).decode("ascii")
                shape = None if _has_few_letters(text) else find_vin_shape(text)
                if shape is None:
                    continue
                # The parts lie side by side only here: a text must not reach from one to the next.
                lo, hi = parts.words_around(view.address(place), unit, phase)
                if place < lo or place + VIN_LENGTH > hi:
                    continue
                row = _length_of_row(keyed.keys, key, view.data[lo:hi], place - lo)
                offsets = (view.address(place + index) for index in range(VIN_LENGTH))
                yield VinCandidate(
                    text=text,
                    form=StoredForm((*before_it, Step(keyed.form.name, key))),
                    trace=make_trace((parts.address(offset), 0xFF) for offset in offsets),
                    shape=shape,
                    run=row,
                    row=row,
                    tears=0,
                )


def _is_monotonous(stored: bytes) -> bool:
    """Whether bytes are more monotonous than a VIN: some key makes filler and tables fit.

    What is equal stays so under every key. Of the 9,895 VINs that `memtool.core.texts.vin_shape`
    names none has more than five equal characters in a row, which was asked before, or one
    more than seven times, or fewer than six different ones.
    """
    kinds = set(stored)
    if len(kinds) < 6:
        return True
    # Of seventeen characters among which eleven differ none stands there more than seven times.
    return len(kinds) < 11 and max(map(stored.count, kinds)) > MOST_OF_ONE


def _has_few_letters(text: str) -> bool:
    """Whether a text has fewer than the four letters that each of those VINs has."""
    return len(text.translate(_NO_DIGITS)) < 4


def _windows_with_keys(keyed: _Keyed, view: View) -> Iterator[tuple[int, int]]:
    """(place, keys as bits) where some key makes all bytes characters, the last four digits.

    Windows with six equal bytes in a row are left out.
    """
    places = _find_windows(keyed, view.key_steps(keyed.form))
    if not len(places):
        return
    data = np.frombuffer(view.data, np.uint8)
    six_equal = _in_a_row(data[1:] == data[:-1], 5)
    places = places[_in_a_row(~six_equal, VIN_LENGTH - 5)[places]]
    # All keys at once, one bit each: a byte leaves those that make a character of it. The
    # digits come first, since they leave the fewest.
    left = keyed.digit_keys[data[places + VIN_LENGTH - 4]]
    for offsets, keys in (
        (range(VIN_LENGTH - 3, VIN_LENGTH), keyed.digit_keys),
        (range(VIN_LENGTH - 4), keyed.keys),
    ):
        for offset in offsets:
            left &= keys[data[places + offset]]
        fits = left.any(axis=1)
        places, left = places[fits], left[fits]
    for place, bits in zip(places.tolist(), left, strict=True):
        yield place, int.from_bytes(bits.tobytes(), "little")


def _find_windows(keyed: _Keyed, steps: bytes) -> Places:
    """Where sixteen steps begin that may be those of a VIN: a letter early, digits at the end."""
    many = len(steps) - VIN_LENGTH + 2
    if many <= 0:
        return np.zeros(0, np.intp)
    between, crossing, of_digits = (
        np.frombuffer(steps.translate(marks), np.bool_) for marks in keyed.marks
    )
    # Of the sixteen steps the last three lie between the four digits.
    windows = _in_a_row(of_digits, 3)[13:]
    windows &= _in_a_row(between, 13)[:many]
    windows &= ~_in_a_row(~crossing, 13)[:many]
    return np.flatnonzero(windows)


def _in_a_row(marked: Mask, count: int) -> Mask:
    """Where so many marks in a row begin, the last one inside."""
    row, length = marked, 1
    while length < count:
        more = min(length, count - length)
        row = row[:-more] & row[more:]
        length += more
    return row


def _bits_of(number: int) -> Iterator[int]:
    """Which bits are set, the lowest first."""
    while number:
        # The lowest bit that is set, alone: minus turns over all bits above it.
        lowest = number & -number
        yield lowest.bit_length() - 1
        number ^= lowest


def _length_of_row(keys: KeyBits, key: int, data: bytes, place: int) -> int:
    """How many bytes around and in a text fit the key in a row; no more than matter."""
    fits = (keys[:, key // 64] >> np.uint64(key % 64) & np.uint64(1)).astype(bool).tolist()
    end = place + VIN_LENGTH
    text, before, behind = data[place:end], data[max(0, place - NEARLY_EXACT) : place], data[end:]
    # Turned round, so that both sides are read away from the text.
    return (
        VIN_LENGTH
        + _count_beside(fits, text[::-1], before[::-1])
        + _count_beside(fits, text, behind[:NEARLY_EXACT])
    )


def _count_beside(fits: Sequence[bool], text: bytes, side: bytes) -> int:
    """By how many bytes a row goes on behind a text; below zero where filler reaches into it.

    Filler, four equal bytes, fits many keys and says nothing of a longer text. In a wrong order
    it also stands among the last characters: none of it is counted.
    """
    filler = side[:1] or text[-1:]
    inside = len(text) - len(text.rstrip(filler))
    if inside + len(side) - len(side.lstrip(filler)) >= 4:
        return -(text[-_MARGIN:].count(filler) if inside >= 4 else inside)
    for count, byte in enumerate(side):
        if side[count : count + 4] == bytes([byte]) * 4:
            return count - side[:count].count(byte)
        if not fits[byte]:
            return count
    return len(side)
