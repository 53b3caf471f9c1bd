"""Unknown VINs under an unknown key: every byte combined with it, or the key added.

What two neighbours have between them (their exclusive or, their difference) does not
change with the key. Between two characters of the VIN alphabet it is one of few values,
and where digits follow letters it is one of fewer still. Runs of such steps are looked for
first; only there the keys are tried, all at once as the bits of one number a byte.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.image import Segment
from memtool.core.runs import array_of, in_a_row, rows_of_bytes
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

    from memtool.core.runs import Bytes, Rows

    Places = NDArray[np.intp]
    Lengths = NDArray[np.intp]
    KeyBits = NDArray[np.uint64]
    """256 rows of 256 bits: for each stored byte which keys there are, the lowest key first."""

_PART = 1 << 16
"""Steps in which windows are looked for at a time."""
_MARGIN = 8
"""Bytes on either side that are looked at: two of the largest words."""
_APART = b"\x00\x80"
"""No step of a text leads from one of these bytes to the other."""
_STEPS_IN_A_ROW = {1: 16, 2: 15, 4: 11}
"""How many steps of a text stand in a row when its words of so many bytes are swapped.

Seventeen characters have sixteen. Swapping pairs tears the last character off, or the first;
words of four bytes may begin so that up to three characters at each end lie apart.
"""
_MANY_RUNS = 8
"""Where more than one in so many bytes is in a run, whole texts are looked for before regions."""
_NO_DIGITS = str.maketrans("", "", "0123456789")
_EQUAL_STEPS = 9
"""Steps of nothing in a row from which on bytes are filler."""
_FITTING = bytes(value in VIN_CODES for value in range(256))
"""For ``bytes.translate``: 1 for each character of the alphabet."""
_NO_STEP = bytes([1]) + bytes(255)
"""Marks the step between equal bytes."""

_BETWEEN, _OF_DIGITS, _NO_CROSSING, _EQUAL = 1, 2, 4, 8
"""Bits: a step between two characters of the alphabet, one between two digits, one that is not
between a letter and a digit, one between equal bytes."""
_EQUAL_IN_A_ROW = 5
"""Steps between equal bytes that no VIN has in a row, see `_is_monotonous`."""
_OFFSETS = (VIN_LENGTH - 1, *range(VIN_LENGTH - 5, -1, -1), *range(VIN_LENGTH - 4, VIN_LENGTH - 1))
"""In a window, in the order in which they are tried: a digit leaves the fewest keys, and in texts
none of them fits what stands before the digits."""


class _Keyed(NamedTuple):
    """A keyed form, with what its search needs made ready once."""

    form: Form
    orders: tuple[Form | None, ...]
    """What is undone before it, None for nothing."""
    between: bytes
    """For ``bytes.translate``: 1 for the steps between two characters of the alphabet."""
    crossing: bytes
    """The same between a letter and a digit."""
    kinds: bytes
    """The same with a bit for each of `_BETWEEN`, `_OF_DIGITS`, `_NO_CROSSING` and `_EQUAL`."""
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
    between, crossing = _marks_of(steps.between), _marks_of(steps.crossing)
    of_digits = _marks_of(steps.of_digits)
    return _Keyed(
        form=form,
        orders=orders_of(form),
        between=between,
        crossing=crossing,
        kinds=bytes(
            _BETWEEN * between[step]
            | _OF_DIGITS * of_digits[step]
            | _NO_CROSSING * (not crossing[step])
            | _EQUAL * (step == 0)
            for step in range(256)
        ),
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
        unit = max(1 if order is None else order.unit for order in keyed.swapped)
        regions = _regions(keyed, _STEPS_IN_A_ROW[unit], whole.key_steps(keyed.form))
        # What shorter words leave of a text, the longest leave as well.
        parts = Parts(whole, regions, apart=_APART * unit)
        for order in keyed.swapped:
            yield _in_order(keyed, order, parts)
        for order in keyed.spaced:
            for phase in range(order.stride):
                view = View(segment, stride=order.stride, phase=phase)
                here = _regions(keyed, _STEPS_IN_A_ROW[1], view.key_steps(keyed.form))
                yield _in_order(keyed, order, Parts(view, here, apart=_APART))


def _regions(keyed: _Keyed, least: int, steps: bytes) -> Rows:
    """(first, end) of the bytes worth a look.

    The run must have `least` steps and hold one between a letter and a digit: in any order
    of the words it covers characters 4 to 14 at least, and a text that is accepted has a
    letter and a digit there. Long runs of equal bytes are cut out.
    """
    runs = rows_of_bytes(steps, keyed.between, least)
    if not len(runs):
        return runs
    if least == VIN_LENGTH - 1 and _MANY_RUNS * (runs[:, 1] - runs[:, 0]).sum() > len(steps):
        # No word is swapped: only those count that hold a whole text.
        windows = _find_windows(keyed, steps)
        inside = windows.searchsorted(runs)
        runs = runs[inside[:, 0] < inside[:, 1]]
    else:
        # A zero behind the last step, for a run that ends with it.
        crosses = np.frombuffer(steps.translate(keyed.crossing) + b"\0", np.uint8)
        runs = runs[np.maximum.reduceat(crosses, runs.reshape(-1))[::2] > 0]
    firsts = np.maximum(runs[:, 0] - _MARGIN, 0)
    ends = np.minimum(runs[:, 1] + _MARGIN, len(steps))
    # Filler is smooth under every key. It is cut out but for eight bytes at each edge: a
    # text may begin or end with a few characters equal to it.
    number, cuts = _cuts_in(firsts, ends, rows_of_bytes(steps, _NO_STEP, _EQUAL_STEPS))
    pieces = np.bincount(number, minlength=len(runs)) + 1
    behind = np.cumsum(pieces)
    begins = np.zeros(pieces.sum(), np.bool_)
    begins[behind - pieces] = True
    stops = np.zeros(len(begins), np.bool_)
    stops[behind - 1] = True
    found = np.empty((len(begins), 2), np.intp)
    found[begins, 0], found[~begins, 0] = firsts, cuts[:, 1] - 8
    # Steps lie between bytes: eight equal steps are nine bytes.
    found[stops, 1], found[~stops, 1] = ends + 1, cuts[:, 0] + 9
    enough = found[:, 1] - found[:, 0] >= VIN_LENGTH
    whole: Rows = found[enough]
    return whole


def _cuts_in(firsts: Lengths, ends: Lengths, fillers: Rows) -> tuple[Lengths, Rows]:
    """For all regions in order the filler inside: the region's number, and (first, end) of it.

    Regions may overlap at their margins, so that filler may lie in two of them.
    """
    from_here = fillers[:, 1].searchsorted(firsts, "right")
    many = fillers[:, 0].searchsorted(ends, "left") - from_here
    number = np.repeat(np.arange(len(firsts)), many)
    # The first filler of a region, then those that follow it.
    nth = np.arange(len(number)) - np.repeat(np.cumsum(many) - many, many)
    cuts = fillers[from_here[number] + nth]
    np.maximum(cuts[:, 0], firsts[number], out=cuts[:, 0])
    np.minimum(cuts[:, 1], ends[number], out=cuts[:, 1])
    long = cuts[:, 1] - cuts[:, 0] >= _EQUAL_STEPS
    return number[long], cuts[long]


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
                row = _length_of_row(undoing.translate(_FITTING), view.data[lo:hi], place - lo)
                offsets = [view.address(place + index) for index in range(VIN_LENGTH)]
                yield VinCandidate(
                    text=text,
                    form=StoredForm((*before_it, Step(keyed.form.name, key))),
                    trace=make_trace((address, 0xFF) for address in parts.addresses(offsets)),
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
    """(place, keys as bits) where some key makes all bytes characters, the last four digits."""
    places = _find_windows(keyed, view.key_steps(keyed.form))
    places, left = _leave_keys(keyed, array_of(view.data), places)
    for place, bits in zip(places.tolist(), left, strict=True):
        yield place, int.from_bytes(bits.tobytes(), "little")


def _leave_keys(keyed: _Keyed, data: Bytes, places: Places) -> tuple[Places, KeyBits]:
    """The windows for which keys are left, and those keys, all at once, one bit each.

    Each byte of a window leaves the keys that make a character of it.
    """
    left = np.full((len(places), 4), ~np.uint64(0))
    for offset in _OFFSETS:
        if not len(places):
            break
        keys = keyed.digit_keys if offset >= VIN_LENGTH - 4 else keyed.keys
        # numpy takes rows in a tenth of the time in which it indexes them.
        left &= keys.take(data[places + offset], axis=0)
        fits = np.flatnonzero(left[:, 0] | left[:, 1] | left[:, 2] | left[:, 3])
        places, left = places.take(fits), left.take(fits, axis=0)
    return places, left


def _find_windows(keyed: _Keyed, steps: bytes) -> Places:
    """Where sixteen steps begin that may be those of a VIN: a letter early, digits at the end.

    Windows with six equal bytes in a row are left out.
    """
    # In parts, since their arrays stay in the processor's cache.
    found = [
        first + _windows_in(keyed, steps[first : first + _PART + VIN_LENGTH - 2])
        for first in range(0, len(steps) - VIN_LENGTH + 2, _PART)
    ]
    return np.concatenate(found) if found else np.zeros(0, np.intp)


def _windows_in(keyed: _Keyed, steps: bytes) -> Places:
    kinds = array_of(steps.translate(keyed.kinds))
    # Of the sixteen steps the last three lie between the four digits.
    early, late = in_a_row(kinds, 13)[:-3], in_a_row(kinds, 3)[13:]
    windows = (early & (_BETWEEN | _NO_CROSSING)) == _BETWEEN
    windows &= (late & _OF_DIGITS) > 0
    # What stands before the digits is a letter or a digit.
    windows &= (kinds[12:-3] & (_NO_CROSSING | _OF_DIGITS)) != _NO_CROSSING
    varied = (in_a_row(kinds, _EQUAL_IN_A_ROW) & _EQUAL) == 0
    windows &= in_a_row(varied, VIN_LENGTH - _EQUAL_IN_A_ROW)
    return np.flatnonzero(windows)


def _bits_of(number: int) -> Iterator[int]:
    """Which bits are set, the lowest first."""
    while number:
        # The lowest bit that is set, alone: minus turns over all bits above it.
        lowest = number & -number
        yield lowest.bit_length() - 1
        number ^= lowest


def _length_of_row(fits: bytes, data: bytes, place: int) -> int:
    """How many bytes around and in a text fit the key in a row; no more than matter.

    Args:
        fits: For each of the 256 values 1 where the key makes a character of it, else 0.
        data: What may be looked at.
        place: Where the text begins in it.
    """
    end = place + VIN_LENGTH
    text, before, behind = data[place:end], data[max(0, place - NEARLY_EXACT) : place], data[end:]
    # Turned round, so that both sides are read away from the text.
    return (
        VIN_LENGTH
        + _count_beside(fits, text[::-1], before[::-1])
        + _count_beside(fits, text, behind[:NEARLY_EXACT])
    )


def _count_beside(fits: bytes, text: bytes, side: bytes) -> int:
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
