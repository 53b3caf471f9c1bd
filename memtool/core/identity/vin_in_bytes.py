"""Unknown VINs in the forms that keep a character in a byte, no key needed.

The alphabet is undone for all bytes at once and long runs are looked for. Swapping words
moves a byte by three places at most, so of seventeen characters at least twelve still stand
side by side: only the neighbourhoods of such runs are looked at in the swapped orders.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

from memtool.core.identity.stored_forms import Step, StoredForm, swap_words, undoing_table
from memtool.core.identity.trace import make_trace
from memtool.core.identity.view import Parts, View
from memtool.core.identity.vin import VIN_LENGTH
from memtool.core.identity.vin_candidates import (
    NEARLY_EXACT,
    RUN,
    VinCandidate,
    digit_follows,
    find_windows,
    is_clear,
)
from memtool.core.identity.vin_shape import find_vin_shape
from memtool.core.image import Segment

_NEAR = re.compile(rb"[A-HJ-NPR-Z0-9]{12,}")
_MARGIN = 8
_APART = b"\xff" * 8
"""Two of the largest words, of no character."""


@dataclass(frozen=True, slots=True)
class _Reading:
    """One way to undo bytes, and the orders it is paired with."""

    step: Step
    table: bytes
    orders: tuple[str, ...]
    strides: tuple[int, ...] = ()


def _small_letters() -> bytes:
    table = bytearray(bytes(range(256)).upper())
    table[ord("A") : ord("Z") + 1] = b"\xff" * 26
    return bytes(table)


_SWAPS = ("swapped-16", "swapped-32")
_READINGS = (
    _Reading(
        Step("plain"),
        bytes(range(256)),
        ("", *_SWAPS, "reversed", *(f"{swap}+reversed" for swap in _SWAPS)),
        (2, 4),
    ),
    _Reading(Step("lower-case"), _small_letters(), ("",)),
    _Reading(Step("inverted"), undoing_table(Step("inverted")), ("", *_SWAPS, "reversed"), (2,)),
    _Reading(Step("nibbles-swapped"), undoing_table(Step("nibbles-swapped")), ("", *_SWAPS)),
    _Reading(Step("bits-reversed"), undoing_table(Step("bits-reversed")), ("", *_SWAPS)),
)


def find_in_bytes(segment: Segment, *, deep: bool) -> Iterator[VinCandidate]:
    """The candidates of one segment in all of these forms, some more than once.

    Unless `deep`, only those that are clear: there are many others in any long text.
    """
    for reading in _READINGS:
        undone = Segment(segment.start, segment.data.translate(reading.table))
        parts = Parts(View(undone), list(find_regions(_NEAR, undone.data, _MARGIN)), apart=_APART)
        for order in reading.orders:
            yield from _in_order(reading.step, order, parts, deep=deep)
        yield from _swapped_alone(reading, parts, deep=deep)
        for stride in reading.strides:
            for phase in range(stride):
                view = View(undone, stride=stride, phase=phase)
                yield from _spaced(reading.step, view, segment, deep=deep)


def find_regions(pattern: re.Pattern[bytes], data: bytes, margin: int) -> Iterator[tuple[int, int]]:
    """(first, end) around the matches of `pattern`, those that touch joined."""
    lo = hi = -1
    for match in pattern.finditer(data):
        first, end = max(0, match.start() - margin), min(len(data), match.end() + margin)
        if first <= hi:
            hi = end
            continue
        if hi > 0:
            yield lo, hi
        lo, hi = first, end
    if hi > 0:
        yield lo, hi


def join_steps(*steps: Step) -> StoredForm:
    """A form of those steps that do something."""
    return StoredForm(tuple(step for step in steps if step.kind != "plain") or (Step("plain"),))


def _in_order(step: Step, order: str, parts: Parts, *, deep: bool) -> Iterator[VinCandidate]:
    names = order.split("+") if order else []
    unit = int(names[0][-2:]) // 8 if names and names[0] in _SWAPS else 1
    backwards = "reversed" in names
    form = join_steps(*(Step(name) for name in names), step)
    for phase in range(unit):
        view = View(parts.joined, unit=unit, phase=phase)
        last = len(view.data) - 1
        data = view.data[::-1] if backwards else view.data
        for place, text, shape, run in find_windows(data, deep=deep or not order):
            if not (deep or is_clear(form, shape, run)):
                continue
            places = range(place, place + VIN_LENGTH)
            offsets = (view.address(last - p if backwards else p) for p in places)
            yield VinCandidate(
                text=text,
                form=form,
                trace=make_trace((parts.address(offset), 0xFF) for offset in offsets),
                shape=shape,
                run=run,
                goes_on=run > VIN_LENGTH and digit_follows(data, place),
            )


def _swapped_alone(reading: _Reading, parts: Parts, *, deep: bool) -> Iterator[VinCandidate]:
    """Seventeen bytes in a row that were swapped by themselves, the odd one left in place."""
    orders = [order.split("+") for order in reading.orders if order.startswith("swapped")]
    forms = [join_steps(*(Step(name) for name in names), reading.step) for names in orders]
    for match in RUN.finditer(parts.joined.data):
        run = len(match[0])
        if run > NEARLY_EXACT and (not deep or run % VIN_LENGTH):
            continue
        offsets = range(run - VIN_LENGTH + 1)
        for offset, (names, form) in product(offsets, zip(orders, forms, strict=True)):
            stored = match[0][offset : offset + VIN_LENGTH]
            undone = swap_words(stored, int(names[0][-2:]) // 8)
            text = (undone[::-1] if "reversed" in names else undone).decode("ascii")
            shape = find_vin_shape(text) if text[-4:].isdigit() else None
            if shape is None or not (deep or is_clear(form, shape, run)):
                continue
            start = parts.address(match.start() + offset)
            yield VinCandidate(
                text=text,
                form=form,
                trace=make_trace((start + index, 0xFF) for index in range(VIN_LENGTH)),
                shape=shape,
                run=run,
                goes_on=False,
                alone=True,
            )


def _spaced(step: Step, view: View, segment: Segment, *, deep: bool) -> Iterator[VinCandidate]:
    for place, text, shape, run in find_windows(view.data, deep=deep):
        addresses = [view.address(place + index) for index in range(VIN_LENGTH)]
        form = join_steps(Step(f"every-{view.stride}"), step)
        if view.stride == 2 and step.kind == "plain":
            wide = _wide_form(segment, addresses)
            if wide is not None:
                form = StoredForm((Step(wide),))
                before = 1 if wide == "utf-16-be" else 0
                first = addresses[0] - before
                addresses = list(range(first, first + 2 * VIN_LENGTH))
        if not (deep or is_clear(form, shape, run)):
            continue
        trace = make_trace((address, 0xFF) for address in addresses)
        goes_on = run > VIN_LENGTH and digit_follows(view.data, place)
        yield VinCandidate(text=text, form=form, trace=trace, shape=shape, run=run, goes_on=goes_on)


def _wide_form(segment: Segment, addresses: list[int]) -> str | None:
    """UTF-16 where a zero byte belongs to each character; where both orders fit, words decide."""
    first, last = addresses[0] - segment.start, addresses[-1] - segment.start
    data = segment.data
    if any(data[first + 1 : last : 2]):
        return None
    high_first = first > 0 and data[first - 1] == 0
    low_first = last + 1 < len(data) and data[last + 1] == 0
    if high_first and low_first:
        return "utf-16-le" if addresses[0] % 2 == 0 else "utf-16-be"
    if high_first:
        return "utf-16-be"
    return "utf-16-le" if low_first else None
