"""Texts with the structure of a VIN, before it is judged which of them to believe."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

from memtool.core.runs import rows_of_bytes
from memtool.core.texts.chance import VIN_CODES
from memtool.core.texts.form_table import Family
from memtool.core.texts.stored_forms import StoredForm
from memtool.core.texts.trace import Trace
from memtool.core.texts.vin import VIN_LENGTH
from memtool.core.texts.vin_shape import VinShape, find_vin_shape

_ALPHABET = bytes(value in VIN_CODES for value in range(256))
"""For ``bytes.translate``: 1 for the characters of the VIN alphabet."""
# Look-aheads take no characters, so that windows which overlap are all found.
_SERIAL_WINDOW = re.compile(rb"(?=[0-9]{0,9}[A-Z])(?=.{13}[0-9]{4})", re.DOTALL)
_SEVENTEENS = re.compile(rb"(?:.{13}[0-9]{4})+")
NEARLY_EXACT = 20
"""Characters of a run that holds a VIN and up to three neighbours that fit by accident."""
_OUTSIDE = 4
"""Bytes: a word of the longest kind."""
_LABEL = re.compile(rb"(?:VIN|FIN|CHASSIS|S/?N)[^A-Za-z0-9]{1,2}\Z")
"""What stands before identities in text. Common practice, no source."""
LONGEST_LABEL = 9
"""Bytes, the signs behind it included."""
_WORD = re.compile(rb"[A-Za-z0-9]")
LONGEST_RUN = 56
"""Characters of a run of three VINs, or of one among numbers: what is longer is other text."""


LONGEST_MIXED_RUN = 27
"""The same where the order of characters was changed: any order of a long text has a VIN."""


class Row(NamedTuple):
    """Characters of the alphabet in a row, and what is seen just outside of them."""

    length: int
    tears: int
    labelled: bool


class VinCandidate(NamedTuple):
    """One reading of some bytes."""

    text: str
    form: StoredForm
    trace: Trace
    shape: VinShape
    run: int | None
    """Characters of the alphabet in a row here, 17 when the VIN stands alone or among
    other VINs; None in packed forms, where neighbours mean nothing."""
    row: int
    """Characters of the alphabet in a row here, the other VINs of the row included; 17 in
    packed forms."""
    tears: int
    """Changes between letters and other signs just outside of the row, see `_count_tears`: a
    text in a wrong order leaves single characters behind. None are counted in packed forms."""
    alone: bool = False
    """Swapped as a field by itself, not as a part of swapped words."""
    labelled: bool = False
    """A label stands directly before the row, see `_is_labelled`."""


def is_wanted(form: StoredForm, shape: VinShape, run: int | None, *, deep: bool) -> bool:
    """Whether a candidate is worth keeping: what `deep` asks for, or what may be a reading."""
    like_other_things = (shape.smooth or shape.hexadecimal) and form.name != "plain"
    return (deep and not like_other_things) or may_be_reading(form, shape, run)


def may_be_reading(form: StoredForm, shape: VinShape, run: int | None) -> bool:
    """Whether a candidate is told beside another one that is clear, or in its place.

    The standards allow it, and no key was tried to make it so.
    """
    return is_clear(form, shape, run) or (
        shape.allowed
        and form.last.family is not Family.KEYED
        and (run is None or run <= LONGEST_RUN)
    )


def is_clear(form: StoredForm, shape: VinShape, run: int | None) -> bool:
    """Whether a candidate is reported without being asked for more.

    The rules are those of `memtool.core.texts.vin_search`, chance left aside.
    """
    plain, doubtful = form.name == "plain", form.last.doubtful
    reordered = form.first.reorders
    if (shape.smooth or shape.hexadecimal) and not plain:
        # As tables and digests are, and orders of them: the standards and a border have to speak.
        bordered = run == VIN_LENGTH and shape.year and shape.six_digits
        if not shape.allowed or run is None or (shape.smooth and shape.hexadecimal):
            return False
        return bordered or _is_checked_in(run, shape)
    if shape.smooth and not (shape.allowed and shape.large_steps >= 2):
        return False
    if shape.hexadecimal and not (shape.allowed and shape.check_digit and run == VIN_LENGTH):
        return False
    if form.last.family is Family.KEYED:
        # Some key makes a VIN of any bytes: all three are asked for, not one of them.
        sound = shape.check_digit and shape.serial and shape.country
        neighbours = 2 if shape.large_steps >= 5 else 0
        return sound and run is not None and run <= VIN_LENGTH + neighbours
    # From here on: both proofs, then the serial number alone, then the check digit alone.
    if shape.check_digit and shape.serial:
        if run is not None and run > NEARLY_EXACT:
            return shape.country and (not reordered or run <= LONGEST_MIXED_RUN)
        return shape.country or not doubtful
    if shape.serial and not doubtful:
        if run is None or run <= NEARLY_EXACT:
            return shape.country or (plain and run == VIN_LENGTH)
        mixed = form.first.family in (Family.WORDS, Family.BACKWARDS)
        sound = shape.year and shape.six_digits and run <= LONGEST_MIXED_RUN
        return shape.allowed and run <= LONGEST_RUN and (sound or not mixed)
    return shape.check_digit and plain and run == VIN_LENGTH


def _is_checked_in(run: int, shape: VinShape) -> bool:
    """Whether a check digit is right in a run that hardly makes one by chance."""
    return shape.check_digit and shape.six_digits and run <= LONGEST_MIXED_RUN


def find_windows(view: bytes, *, deep: bool) -> Iterator[tuple[int, str, VinShape, int, Row]]:
    """(place, text, shape, run, row) of what may be a VIN in a view in which texts stand plain.

    In a run of more than seventeen characters only windows with four digits at the end are
    tried, unless it is made of several seventeens. Unless `deep`, all must end so, and runs
    of more than `LONGEST_RUN` characters are left out but for seventeens.
    """
    for first, end in find_rows(view):
        length = end - first
        if length > LONGEST_RUN and not deep and length % VIN_LENGTH:
            continue
        run = view[first:end]
        if length == VIN_LENGTH and not (deep or run[-4:].isdigit()):
            continue
        windows = list(_windows_in(run, deep=deep))
        if not windows:
            continue
        row = row_at(view, first, end)
        for place, shape, in_a_row in windows:
            text = run[place : place + VIN_LENGTH].decode("ascii")
            yield first + place, text, shape, in_a_row, row


def _windows_in(run: bytes, *, deep: bool) -> Iterator[tuple[int, VinShape, int]]:
    """(place, shape, run) of what may be a VIN in characters of the alphabet, a whole row."""
    length = len(run)
    # VINs written one behind the other.
    several = length % VIN_LENGTH == 0 and _SEVENTEENS.fullmatch(run)
    if length == VIN_LENGTH or several:
        places = range(0, length, VIN_LENGTH)
        shapes = [_shape_at(run, place) for place in places]
        # All of them or none: one piece that is no VIN makes it a long run like others.
        if None not in shapes or length == VIN_LENGTH:
            for place, shape in zip(places, shapes, strict=True):
                if shape is not None:
                    yield place, shape, VIN_LENGTH
            return
    if length > LONGEST_RUN and not deep:
        return
    for window in _SERIAL_WINDOW.finditer(run, 0, length):
        shape = _shape_at(run, window.start())
        if shape is not None:
            yield window.start(), shape, length


def find_rows(view: bytes) -> list[list[int]]:
    """[first, end] of each run of seventeen characters of the alphabet and more, whole."""
    found: list[list[int]] = rows_of_bytes(view, _ALPHABET, VIN_LENGTH).tolist()
    return found


def row_at(view: bytes, first: int, end: int) -> Row:
    """What is seen of the characters from `first` to `end`, a whole row."""
    return Row(
        length=end - first,
        tears=_count_tears(view, first, end),
        labelled=_is_labelled(view, first),
    )


def _count_tears(view: bytes, start: int, end: int) -> int:
    """Changes between letters or digits and others in the few bytes on both sides of a row.

    A sign of its own beside the row, as text has it, counts against one of them.
    """
    tears = 0
    # Both sides are read away from the row, so `side[0]` is what stands right beside it.
    for side in (view[max(0, start - _OUTSIDE) : start][::-1], view[end : end + _OUTSIDE]):
        # Every letter and digit becomes an A, which is 65 below.
        words = _WORD.sub(b"A", side)
        tears += sum((left == 65) != (right == 65) for left, right in pairwise(words))
        # A printable sign that is no letter or digit: the border that text gives a word.
        tears -= 0x20 <= side[0] < 0x7F and words[0] != 65 if side else 0
    return tears


def _is_labelled(view: bytes, start: int) -> bool:
    """Whether a label like those of printed identities ends where a row starts."""
    return _LABEL.search(view, max(0, start - LONGEST_LABEL), start) is not None


def _shape_at(run: bytes, place: int) -> VinShape | None:
    return find_vin_shape(run[place : place + VIN_LENGTH].decode("ascii"), in_plain=True)
