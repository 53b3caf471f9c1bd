"""Unknown VINs packed into seven or six bits a character, from any bit on.

The image is taken as one long number. Shifted by 0 to 6 it gives, for every bit position
at once, the seven bits of the character that begins there; a few logic operations on whole
numbers then tell for every position whether that character is a digit or a letter of the
alphabet, and whether seventeen of them follow each other. The cost is that of about eighty
passes over the bytes by machine words, and grows with the size alone. Long images are
taken in chunks: numbers that the processor's cache holds are worked on three times as fast.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

from memtool.core.image import Segment
from memtool.core.texts.chance import CharacterChances
from memtool.core.texts.form_table import Family, Form, forms_of, orders_of
from memtool.core.texts.needles import pack
from memtool.core.texts.stored_forms import Step, StoredForm, unpack
from memtool.core.texts.trace import make_trace
from memtool.core.texts.view import View
from memtool.core.texts.vin import VIN_LENGTH
from memtool.core.texts.vin_candidates import VinCandidate
from memtool.core.texts.vin_shape import find_vin_shape

MOST_CANDIDATES = 4096
"""Of one view: where more windows have the shape, none of them means anything."""
_CHUNK = 1 << 15
_OVERLAP = (7 + 7 * (VIN_LENGTH + 1) + 7) // 8
"""Bytes behind a chunk that the last window of it reaches into, one character more included."""
_ERASED = (b"\xff", b"\0")
"""Bytes of erased memory: all ones and all zeros stand for no character in any packed form."""
_SET = re.compile(rb"[^\x00]")


@dataclass(frozen=True, slots=True)
class _Planes:
    """For every bit position of a view, as one long number each."""

    digits: int
    """A digit begins here."""
    letters: int
    """A letter of the alphabet begins here."""
    bits: int
    """Bits of the view."""
    high_first: bool

    def ahead(self, plane: int, distance: int) -> int:
        """What `plane` says `distance` bits further on."""
        return plane << distance if self.high_first else plane >> distance


def searches_in_bits(segment: Segment) -> Iterator[Iterator[VinCandidate]]:
    """For each packed form and pair, at each phase: every candidate of one segment."""
    packed = forms_of(Family.PACKED)
    for order in (None, *forms_of(Family.WORDS)):
        unit = 1 if order is None else order.unit
        for phase in range(unit):
            view = View(segment, unit=unit, phase=phase)
            for form in packed:
                if order in orders_of(form):
                    yield _in_view(view, form, () if order is None else (Step(order.name),))


def measure_packed_chances(data: bytes, form: Form) -> CharacterChances:
    """How often a bit position begins a character, in these bytes or in random ones.

    The larger of the two is given. A check digit is taken to be as frequent as digits and
    one letter more.
    """
    digits = characters = 0
    for first in range(0, len(data), _CHUNK):
        planes = _make_planes(data[first : first + _CHUNK], form)
        digits += planes.digits.bit_count()
        characters += (planes.digits | planes.letters).bit_count()
    codes, bits = 2**form.bits, max(1, 8 * len(data))
    digit, alphabet = max(10 / codes, digits / bits), max(33 / codes, characters / bits)
    return CharacterChances(alphabet=alphabet, digit=digit, check=digit + 1 / codes)


def _in_view(view: View, form: Form, order: tuple[Step, ...]) -> Iterator[VinCandidate]:
    for bit in islice(_find_windows(view.data, form), MOST_CANDIDATES):
        first, offset = divmod(bit, 8)
        # One character more, to see whether the digits at the end go on.
        size = (offset + form.bits * (VIN_LENGTH + 1) + 7) // 8
        raw = view.data[first : first + size]
        characters = unpack(raw, form, bit=offset)
        text = characters[:VIN_LENGTH]
        shape = find_vin_shape(text.decode("ascii")) if len(text) == VIN_LENGTH else None
        if shape is None:
            continue
        masks = pack(form, text, offset)[1]
        cells = ((view.address(first + index), mask) for index, mask in enumerate(masks))
        yield VinCandidate(
            text=text.decode("ascii"),
            form=StoredForm((*order, Step(form.name, offset))),
            trace=make_trace(cells),
            shape=shape,
            run=None,
            row=VIN_LENGTH,
            tears=0,
        )


def _find_windows(data: bytes, form: Form) -> Iterator[int]:
    """The bit positions, from the start of `data`, at which a window begins."""
    for first in range(0, len(data), _CHUNK):
        chunk = data[first : first + _CHUNK + _OVERLAP]
        # Most of a module's memory is erased, and telling that takes next to no time.
        if chunk[:1] in _ERASED and not chunk.strip(chunk[:1]):
            continue
        planes = _make_planes(chunk, form)
        for bit in _set_positions(_windows(planes, form.bits), planes):
            # It begins in the overlap, and is found again with the next chunk.
            if bit >= 8 * _CHUNK:
                break
            yield 8 * first + bit


def _make_planes(data: bytes, form: Form) -> _Planes:
    width, high_first, bits = form.bits, form.high_first, 8 * len(data)
    full = (1 << bits) - 1
    stream = int.from_bytes(data, "big" if high_first else "little")
    if high_first:
        # Plane k holds, at each position, bit k of the character that begins there.
        planes = [stream << place & full for place in range(width)][::-1]
    else:
        planes = [stream >> place for place in range(width)]
    # c: the bit is set; n: it is not.
    c0, c1, c2, c3, c4, c5 = planes[:6]
    n0, n1, n2, n3, n4, n5 = (plane ^ full for plane in planes[:6])
    if width == 7:
        c6 = planes[6]
        # Digits are 011 dddd (0x30 to 0x39), letters 10l llll (0x41 to 0x5A).
        of_digits, of_letters = (c6 ^ full) & c5, c6 & n5
    else:
        # The same less 0x20: digits 01 dddd (0x10 to 0x19), letters 1l llll (0x21 to 0x3A).
        of_digits, of_letters = n5, c5
    small, great = n3 & n2 & n1, c3 & n2 & n1
    digits = of_digits & c4 & (n3 | n2 & n1)
    # Of 0x40 to 0x4F all but the sign 0x40, I (0x49) and O (0x4F).
    lower = n4 & (full ^ (small & n0 | great & c0 | c3 & c2 & c1 & c0))
    # Of 0x50 to 0x5F the first eleven (P to Z) but Q (0x51).
    upper = c4 & (n3 | n2 & (n1 | n0)) & (full ^ (small & c0))
    return _Planes(digits, of_letters & (lower | upper), bits, high_first)


def _windows(planes: _Planes, width: int) -> int:
    """Where thirteen characters and four digits follow each other, with an early letter."""
    either = planes.digits | planes.letters
    ahead = planes.ahead
    # Doubling: two in a row, four, eight; eight, four and one make thirteen.
    four = either & ahead(either, width)
    four &= ahead(four, 2 * width)
    eight = four & ahead(four, 4 * width)
    thirteen = eight & ahead(four, 8 * width) & ahead(either, 12 * width)
    serial = planes.digits & ahead(planes.digits, width)
    serial &= ahead(serial, 2 * width)
    early = planes.letters | ahead(planes.letters, width)
    early |= ahead(early, 2 * width)
    # A letter among the first ten: 0 to 3 so far, then 4 to 7 and 6 to 9.
    early |= ahead(early, 4 * width) | ahead(early, 6 * width)
    return thirteen & ahead(serial, 13 * width) & early


def _set_positions(windows: int, planes: _Planes) -> Iterator[int]:
    """The bit positions of a chunk at which a window begins, in order."""
    if not windows:
        return
    size = planes.bits // 8
    # Looking ahead shifts bits out above the view.
    windows &= (1 << planes.bits) - 1
    data = windows.to_bytes(size, "big" if planes.high_first else "little")
    for match in _SET.finditer(data):
        byte = data[match.start()]
        for bit in range(8):
            if byte >> (7 - bit if planes.high_first else bit) & 1:
                yield 8 * match.start() + bit
