"""Unknown VINs packed into seven or six bits a character, from any bit on.

The image is taken as one long number. Shifted by 0 to 6 it gives, for every bit position
at once, the seven bits of the character that begins there; a few logic operations on whole
numbers then tell for every position whether that character is a digit or a letter of the
alphabet, and whether seventeen of them follow each other. The cost is that of twenty to eighty
passes over the bytes by machine words, and grows with the size alone. Long images are
taken in chunks: numbers that the processor's cache holds are worked on three times as fast.
Of seven bits two tell before that where a text may begin, which most chunks do without.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import islice
from typing import TYPE_CHECKING

from memtool.core.image import Segment
from memtool.core.runs import array_of
from memtool.core.texts.chance import DIGIT_CODES, VIN_CODES, CharacterChances
from memtool.core.texts.form_table import Family, Form, forms_of, orders_of
from memtool.core.texts.needles import pack
from memtool.core.texts.stored_forms import Step, StoredForm, unpack
from memtool.core.texts.trace import make_trace
from memtool.core.texts.view import View
from memtool.core.texts.vin import VIN_LENGTH
from memtool.core.texts.vin_candidates import VinCandidate
from memtool.core.texts.vin_shape import find_vin_shape
from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Words = NDArray[np.uint64]

MOST_CANDIDATES = 4096
"""Of one view: where more windows have the shape, none of them means anything."""
_CHUNK = 1 << 16
_OVERLAP = (7 + 7 * (VIN_LENGTH + 1) + 7) // 8
"""Bytes behind a chunk that the last window of it reaches into, one character more included."""
_ERASED = (b"\xff", b"\0")
"""Bytes of erased memory: all ones and all zeros stand for no character in any packed form."""
_MOST_BY_ONE = 32
"""Places in a chunk that are looked at one by one in less time than all at once."""


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
        here = _Characters(data[first : first + _CHUNK], form)
        digits += here.digits.bit_count()
        characters += (here.digits | here.letters()).bit_count()
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
        if chunk[:1] in _ERASED and chunk == chunk[:1] * len(chunk):
            continue
        for bit in _windows_in_chunk(chunk, form):
            # It begins in the overlap, and is found again with the next chunk.
            if bit >= 8 * _CHUNK:
                break
            yield 8 * first + bit


def _windows_in_chunk(data: bytes, form: Form) -> Iterable[int]:
    """The same of one chunk, windows of its overlap included.

    Two bits of seven tell by a sixth of the work where a window may begin: at a few places in
    most bytes, which are then looked at one by one.
    """
    if form.bits == 7:
        places = _places_by_two_bits(data, form)
        if places is not None:
            return [bit for bit in places if _is_window(data, form, bit)]
    characters, bits = _Characters(data, form), 8 * len(data)
    # Of six bits they tell little, but four digits in a row are rare as well.
    serial = characters.ahead(characters.serial(), 13 * form.bits) & characters.full
    if serial.bit_count() > _MOST_BY_ONE:
        return _set_positions(serial & _windows(characters), bits, form)
    return (bit for bit in _set_positions(serial, bits, form) if _is_window(data, form, bit))


def _places_by_two_bits(data: bytes, form: Form) -> list[int] | None:
    """Where a window of seven bits a character may begin, in order; None if in many places.

    The two highest bits of each character differ. For sixteen in a row that is told of words of
    64 bits, each of which begins 56 bits, eight characters, further on than the one before it.
    """
    words = _words_by_eight(data, form)
    differ = words ^ words >> 1
    # The second of two characters begins in the same word, the others in the next one as well.
    two = differ & differ >> 7 & (1 << 56) - 1
    four = two[:-1] & (two[:-1] >> 14 | two[1:] << 42)
    eight = four[:-1] & (four[:-1] >> 28 | four[1:] << 28)
    sixteen = eight[:-1] & eight[1:]
    numbers = np.flatnonzero(sixteen != 0)
    if not len(numbers):
        return []
    if len(numbers) > _MOST_BY_ONE:
        return None
    found = np.unpackbits(sixteen[numbers].astype("<u8").view(np.uint8), bitorder="little")
    places = np.flatnonzero(found)
    # The pair that was found are bits 5 and 6 of the character.
    bits = 56 * numbers[places // 64] + places % 64 - 5
    if form.high_first:
        # Counted from the other end the last character is the first.
        bits = 8 * len(data) - 7 * VIN_LENGTH - bits[::-1]
    kept: list[int] = bits[bits >= 0].tolist()
    return kept if len(kept) <= _MOST_BY_ONE else None


def _words_by_eight(data: bytes, form: Form) -> Words:
    """A word of 64 bits from each 56th bit on, and zeros behind the last.

    From the end that holds the low bits: the last byte where the high bit comes first.
    """
    count, zeros = len(data) // 7 + 2, bytes(16)
    if form.high_first:
        last = len(zeros) + len(data) - 8
        words = np.ndarray((count,), ">u8", zeros + data, offset=last, strides=(-7,))
    else:
        words = np.ndarray((count,), "<u8", data + zeros, strides=(7,))
    return words.astype(np.uint64)


def _is_window(data: bytes, form: Form, bit: int) -> bool:
    """Whether a text begins at a bit: its last four characters digits, an early one a letter."""
    first, offset = divmod(bit, 8)
    width = form.bits
    raw = data[first : first + (offset + width * VIN_LENGTH + 7) // 8]
    stream = int.from_bytes(raw, "big" if form.high_first else "little")
    early = False
    # From behind: there most places fail after a character or two.
    for number in range(VIN_LENGTH - 1, -1, -1):
        begin = offset + width * number
        shift = 8 * len(raw) - begin - width if form.high_first else begin
        # A text that reaches over the end of the data.
        if shift < 0:
            return False
        code = (stream >> shift & (1 << width) - 1) + (0x20 if width == 6 else 0)
        if code not in (DIGIT_CODES if number >= VIN_LENGTH - 4 else VIN_CODES):
            return False
        early = early or (number < 10 and code not in DIGIT_CODES)
    return early


class _Characters:
    """Which characters begin at every bit position of some bytes, as one long number each."""

    def __init__(self, data: bytes, form: Form) -> None:
        width, self._high_first, bits = form.bits, form.high_first, 8 * len(data)
        self.width = width
        self.full = full = (1 << bits) - 1
        """All positions."""
        stream = int.from_bytes(data, "big" if form.high_first else "little")
        # Plane k holds, at each position, bit k of the character that begins there.
        if form.high_first:
            planes = [stream << place & full for place in range(width)][::-1]
        else:
            planes = [stream >> place for place in range(width)]
        self._planes = planes
        # Of seven bits digits are 011 dddd (0x30 to 0x39), of six, 0x20 less, 01 dddd.
        of_digits = (planes[6] ^ full) & planes[5] if width == 7 else planes[5] ^ full
        self.digits = of_digits & planes[4] & (full ^ (planes[3] & (planes[2] | planes[1])))
        """A digit begins here."""

    def letters(self) -> int:
        """A letter of the alphabet begins here."""
        full = self.full
        # c: the bit is set; n: it is not.
        c0, c1, c2, c3, c4, c5 = self._planes[:6]
        n0, n1, n2, n3, n4, n5 = (plane ^ full for plane in self._planes[:6])
        # Letters are 10l llll (0x41 to 0x5A), of six bits 1l llll.
        of_letters = self._planes[6] & n5 if self.width == 7 else c5
        small, great = n3 & n2 & n1, c3 & n2 & n1
        # Of 0x40 to 0x4F all but the sign 0x40, I (0x49) and O (0x4F).
        lower = n4 & (full ^ (small & n0 | great & c0 | c3 & c2 & c1 & c0))
        # Of 0x50 to 0x5F the first eleven (P to Z) but Q (0x51).
        upper = c4 & (n3 | n2 & (n1 | n0)) & (full ^ (small & c0))
        return of_letters & (lower | upper)

    def serial(self) -> int:
        """Four digits in a row begin here."""
        two = self.digits & self.ahead(self.digits, self.width)
        return two & self.ahead(two, 2 * self.width)

    def ahead(self, plane: int, distance: int) -> int:
        """What `plane` says `distance` bits further on."""
        return plane << distance if self._high_first else plane >> distance


def _windows(characters: _Characters) -> int:
    """Where thirteen characters follow each other, with an early letter."""
    width, ahead, letters = characters.width, characters.ahead, characters.letters()
    either = characters.digits | letters
    # Doubling: two in a row, four, eight; eight, four and one make thirteen.
    four = either & ahead(either, width)
    four &= ahead(four, 2 * width)
    eight = four & ahead(four, 4 * width)
    thirteen = eight & ahead(four, 8 * width) & ahead(either, 12 * width)
    early = letters | ahead(letters, width)
    early |= ahead(early, 2 * width)
    # A letter among the first ten: 0 to 3 so far, then 4 to 7 and 6 to 9.
    early |= ahead(early, 4 * width) | ahead(early, 6 * width)
    return thirteen & early


def _set_positions(windows: int, bits: int, form: Form) -> Iterator[int]:
    """The bit positions of a chunk of so many bits at which a window begins, in order."""
    if not windows:
        return
    # Looking ahead shifts bits out above the chunk.
    windows &= (1 << bits) - 1
    data = windows.to_bytes(bits // 8, "big" if form.high_first else "little")
    # Of truths numpy finds those set in a fraction of the time that it takes of numbers.
    for place in np.flatnonzero(array_of(data) != 0).tolist():
        for bit in range(8):
            if data[place] >> (7 - bit if form.high_first else bit) & 1:
                yield 8 * place + bit
