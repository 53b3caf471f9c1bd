"""Unknown VINs in the forms that keep a character in a byte, no key needed.

The alphabet is undone for all bytes at once and long runs are looked for. Swapping words
moves a byte by three places at most, so of seventeen characters at least twelve still stand
side by side: only the neighbourhoods of such runs are looked at in the swapped orders.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import product
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.image import Segment
from memtool.core.runs import rows_of_bytes
from memtool.core.texts.chance import VIN_CODES
from memtool.core.texts.form_table import PAIRS, Family, Form, forms_of, orders_of
from memtool.core.texts.stored_forms import (
    NO_CHARACTER,
    Step,
    StoredForm,
    storing_table,
    swap_words,
)
from memtool.core.texts.trace import make_trace
from memtool.core.texts.view import Parts, View
from memtool.core.texts.vin import VIN_LENGTH
from memtool.core.texts.vin_candidates import (
    LONGEST_LABEL,
    NEARLY_EXACT,
    VinCandidate,
    find_rows,
    find_windows,
    is_wanted,
    row_at,
)
from memtool.core.texts.vin_shape import find_vin_shape
from memtool.lazy import np

if TYPE_CHECKING:
    from memtool.core.runs import Rows

_NEAR = 12
"""Characters in a row that any swapping of words leaves of a VIN."""
_TEXT = re.compile(rb"[\x20-\x7e\t\r\n]*")
_DIGIT = re.compile(rb"[0-9]")
_DIGITS_AT_END = 4
_MARGIN = 4 + LONGEST_LABEL
"""Bytes around a run that are looked at: characters that swapping moved away, and a label."""
_APART = b"\xff" * 8
"""Two of the largest words, of no character."""


class _Reading(NamedTuple):
    """One way to undo bytes, and the orders it is paired with."""

    step: Step
    table: bytes
    """The printable character that each byte stands for, or `NO_CHARACTER`."""
    marks: bytes
    """1 for each byte that stands for a character of the VIN alphabet."""
    orders: tuple[tuple[Form, ...], ...]
    """What is undone before, none in the first; each may move bytes but not space them."""
    strides: tuple[int, ...]


def _make_reading(form: Form) -> _Reading:
    step = Step(form.name)
    table = bytearray([NO_CHARACTER] * 256)
    for code in (*range(0x20, 0x7F), *VIN_CODES):
        # Only what storing makes: a capital letter is no character of a text in small ones.
        table[storing_table(step)[code]] = code
    pairs = PAIRS if form.name == "plain" else ()
    whole = forms_of(*_MOVING, Family.SPACED) if form.name == "plain" else orders_of(form)[1:]
    orders: list[tuple[Form, ...]] = [
        (first,) for first in whole if first is not None and first.family in _MOVING
    ]
    orders += [pair for pair in pairs if {each.family for each in pair} <= {*_MOVING}]
    spaced = [each for each in whole if each is not None and each.family is Family.SPACED]
    marks = bytes(character in VIN_CODES for character in table)
    return _Reading(step, bytes(table), marks, ((), *orders), tuple(each.stride for each in spaced))


_MOVING = (Family.WORDS, Family.BACKWARDS)
_READINGS = tuple(_make_reading(form) for form in forms_of(Family.BYTES))
_SPACED = {form.stride: Step(form.name) for form in forms_of(Family.SPACED)}
_WIDE = {form.high_first: Step(form.name) for form in forms_of(Family.WIDE)}


def find_in_bytes(segment: Segment, *, deep: bool) -> Iterator[VinCandidate]:
    """The candidates of one segment in all of these forms, some more than once.

    Unless `deep`, only those that are clear: there are many others in any long text.
    """
    for reading in _READINGS:
        undone = Segment(segment.start, segment.data.translate(reading.table))
        parts = Parts(View(undone), _regions(reading.marks, segment.data), apart=_APART)
        for order in reading.orders:
            yield from _in_order(reading.step, order, parts, deep=deep)
        yield from _swapped_alone(reading, parts, deep=deep)
        for stride in reading.strides:
            for phase in range(stride):
                view = View(undone, stride=stride, phase=phase)
                yield from _spaced(reading.step, view, segment, deep=deep)


def _regions(marks: bytes, data: bytes) -> Rows:
    """(first, end) around long runs of marked bytes, those that touch joined."""
    runs = rows_of_bytes(data, marks, _NEAR)
    firsts = np.maximum(runs[:, 0] - _MARGIN, 0)
    ends = np.minimum(runs[:, 1] + _MARGIN, len(data))
    # Margins that touch make one region, or texts between them would be found twice.
    apart = np.flatnonzero(firsts[1:] > ends[:-1]) + 1
    starts = np.concatenate((firsts[:1], firsts[apart]))
    stops = np.concatenate((ends[apart - 1], ends[-1:]))
    return np.stack((starts, stops), axis=1)


def join_steps(*steps: Step) -> StoredForm:
    """A form of those steps that do something."""
    return StoredForm(tuple(step for step in steps if step.kind != "plain") or (Step("plain"),))


def _in_order(
    step: Step, order: tuple[Form, ...], parts: Parts, *, deep: bool
) -> Iterator[VinCandidate]:
    unit = order[0].unit if order else 1
    backwards = any(each.family is Family.BACKWARDS for each in order)
    form = join_steps(*(Step(each.name) for each in order), step)
    for phase in range(unit):
        view = View(parts.joined, unit=unit, phase=phase)
        last = len(view.data) - 1
        data = view.data[::-1] if backwards else view.data
        for place, text, shape, run, row in find_windows(data, deep=deep or not order):
            if not is_wanted(form, shape, run, deep=deep):
                continue
            places = range(place, place + VIN_LENGTH)
            # Turned round, a place counts from the view's end.
            offsets = [view.address(last - p if backwards else p) for p in places]
            yield VinCandidate(
                text=text,
                form=form,
                trace=make_trace((address, 0xFF) for address in parts.addresses(offsets)),
                shape=shape,
                run=run,
                row=row.length,
                tears=row.tears,
                labelled=row.labelled,
            )


def _swapped_alone(reading: _Reading, parts: Parts, *, deep: bool) -> Iterator[VinCandidate]:
    """Seventeen bytes in a row that were swapped by themselves, the odd one left in place."""
    orders = [
        (order, join_steps(*(Step(each.name) for each in order), reading.step))
        for order in reading.orders
        if order and order[0].family is Family.WORDS
    ]
    joined = parts.joined.data
    for first, end in find_rows(joined):
        run = end - first
        if run > NEARLY_EXACT and (not deep or run % VIN_LENGTH):
            continue
        row = row_at(joined, first, end)
        offsets = range(run - VIN_LENGTH + 1)
        for offset, (order, form) in product(offsets, orders):
            stored = joined[first + offset : first + offset + VIN_LENGTH]
            undone = swap_words(stored, order[0].unit)
            # Behind words nothing but a reversal moves bytes, see `_make_reading`.
            text = (undone[::-1] if len(order) > 1 else undone).decode("ascii")
            shape = find_vin_shape(text) if text[-4:].isdigit() else None
            if shape is None or not is_wanted(form, shape, run, deep=deep):
                continue
            start = parts.address(first + offset)
            yield VinCandidate(
                text=text,
                form=form,
                trace=make_trace((start + index, 0xFF) for index in range(VIN_LENGTH)),
                shape=shape,
                run=run,
                row=row.length,
                tears=row.tears,
                labelled=row.labelled,
                alone=True,
            )


def _spaced(step: Step, view: View, segment: Segment, *, deep: bool) -> Iterator[VinCandidate]:
    for place, text, shape, run, row in find_windows(view.data, deep=deep):
        addresses = [view.address(place + index) for index in range(VIN_LENGTH)]
        form = join_steps(_SPACED[view.stride], step)
        if view.stride == 2 and step.kind == "plain":
            wide = _wide_form(segment, addresses)
            if wide is not None:
                form = StoredForm((wide,))
                first = addresses[0] - (1 if wide.form.high_first else 0)
                addresses = list(range(first, first + 2 * VIN_LENGTH))
        if not is_wanted(form, shape, run, deep=deep):
            continue
        weak = run > NEARLY_EXACT and form.first.family is Family.SPACED and not shape.check_digit
        if weak and not deep and _is_of_text(_bytes_between(segment, addresses), view.stride):
            continue
        trace = make_trace((address, 0xFF) for address in addresses)
        yield VinCandidate(
            text=text,
            form=form,
            trace=trace,
            shape=shape,
            run=run,
            row=row.length,
            tears=row.tears,
            labelled=row.labelled,
        )


def _is_of_text(between: bytes, stride: int) -> bool:
    """Whether every second letter of a text, which is no VIN, has such bytes between.

    A text has its digits in one place: beside the four at the end of a VIN stand others. Where
    they do not, the text around is another one.
    """
    beside_serial = between[-_DIGITS_AT_END * (stride - 1) :]
    return _TEXT.fullmatch(between) is not None and _DIGIT.search(beside_serial) is not None


def _bytes_between(segment: Segment, addresses: list[int]) -> bytes:
    """The foreign bytes between the characters of a spaced text."""
    first, last = addresses[0] - segment.start, addresses[-1] - segment.start
    stride = addresses[1] - addresses[0]
    return bytes(byte for n, byte in enumerate(segment.data[first:last]) if n % stride)


def _wide_form(segment: Segment, addresses: list[int]) -> Step | None:
    """UTF-16 where a zero byte belongs to each character.

    In a longer text both orders fit the VIN alone: the ends of the text decide, else words.
    """
    first, last = addresses[0] - segment.start, addresses[-1] - segment.start
    data = segment.data
    if any(data[first + 1 : last : 2]):
        return None
    high_first, low_first = _is_zero(data, first - 1), _is_zero(data, last + 1)
    if high_first and low_first:
        while _is_zero(data, first - 1) and _is_character(data, first - 2):
            first -= 2
        while _is_zero(data, last + 1) and _is_character(data, last + 2):
            last += 2
        high_first, low_first = _is_zero(data, first - 1), _is_zero(data, last + 1)
        if high_first == low_first:
            return _WIDE[addresses[0] % 2 == 1]
    return _WIDE[high_first] if high_first or low_first else None


def _is_zero(data: bytes, place: int) -> bool:
    return 0 <= place < len(data) and not data[place]


def _is_character(data: bytes, place: int) -> bool:
    return 0 <= place < len(data) and 0x20 <= data[place] < 0x7F
