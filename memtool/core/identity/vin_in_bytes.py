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
from memtool.core.identity.view import View
from memtool.core.identity.vin import VIN_LENGTH
from memtool.core.identity.vin_candidates import (
    NEARLY_EXACT,
    RUN,
    VinCandidate,
    digit_follows,
    find_windows,
)
from memtool.core.identity.vin_shape import find_vin_shape
from memtool.core.image import Segment

_NEAR = re.compile(rb"[A-HJ-NPR-Z0-9]{12,}")
_MARGIN = 8


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


def find_in_bytes(segment: Segment) -> Iterator[VinCandidate]:
    """Every candidate of one segment, in all of these forms; some more than once."""
    for reading in _READINGS:
        undone = Segment(segment.start, segment.data.translate(reading.table))
        for lo, hi in find_regions(_NEAR, undone.data, _MARGIN):
            part = Segment(segment.start + lo, undone.data[lo:hi])
            for order in reading.orders:
                yield from _in_order(reading.step, order, part)
            yield from _swapped_alone(reading, part)
        for stride in reading.strides:
            for phase in range(stride):
                yield from _spaced(reading.step, View(undone, stride=stride, phase=phase), segment)


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


def _in_order(step: Step, order: str, part: Segment) -> Iterator[VinCandidate]:
    names = order.split("+") if order else []
    unit = int(names[0][-2:]) // 8 if names and names[0] in _SWAPS else 1
    backwards = "reversed" in names
    form = join_steps(*(Step(name) for name in names), step)
    for phase in range(unit):
        view = View(part, unit=unit, phase=phase)
        last = len(view.data) - 1
        data = view.data[::-1] if backwards else view.data
        for place, text, shape, run in find_windows(data):
            places = range(place, place + VIN_LENGTH)
            cells = ((view.address(last - p if backwards else p), 0xFF) for p in places)
            yield VinCandidate(
                text=text,
                form=form,
                trace=make_trace(cells),
                shape=shape,
                run=run,
                goes_on=run > VIN_LENGTH and digit_follows(data, place),
            )


def _swapped_alone(reading: _Reading, part: Segment) -> Iterator[VinCandidate]:
    """Seventeen bytes in a row that were swapped by themselves, the odd one left in place."""
    orders = [order for order in reading.orders if order.startswith("swapped")]
    for match in RUN.finditer(part.data):
        if len(match[0]) > NEARLY_EXACT and len(match[0]) % VIN_LENGTH:
            continue
        offsets = range(len(match[0]) - VIN_LENGTH + 1)
        for offset, order in product(offsets, orders):
            names = order.split("+")
            stored = match[0][offset : offset + VIN_LENGTH]
            undone = swap_words(stored, int(names[0][-2:]) // 8)
            text = (undone[::-1] if "reversed" in names else undone).decode("ascii")
            shape = find_vin_shape(text)
            if shape is None or not shape.serial:
                continue
            start = part.start + match.start() + offset
            yield VinCandidate(
                text=text,
                form=join_steps(*(Step(name) for name in names), reading.step),
                trace=make_trace((start + index, 0xFF) for index in range(VIN_LENGTH)),
                shape=shape,
                run=len(match[0]),
                goes_on=False,
                alone=True,
            )


def _spaced(step: Step, view: View, segment: Segment) -> Iterator[VinCandidate]:
    for place, text, shape, run in find_windows(view.data):
        addresses = [view.address(place + index) for index in range(VIN_LENGTH)]
        form = join_steps(Step(f"every-{view.stride}"), step)
        if view.stride == 2 and step.kind == "plain":
            wide = _wide_form(segment, addresses)
            if wide is not None:
                form = StoredForm((Step(wide),))
                before = 1 if wide == "utf-16-be" else 0
                first = addresses[0] - before
                addresses = list(range(first, first + 2 * VIN_LENGTH))
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
