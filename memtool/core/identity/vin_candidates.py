"""Texts with the structure of a VIN, before it is judged which of them to believe."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from memtool.core.identity.stored_forms import ORDER_STEPS, SPACING_STEPS, StoredForm
from memtool.core.identity.trace import Trace
from memtool.core.identity.vin import VIN_LENGTH
from memtool.core.identity.vin_shape import VinShape, find_vin_shape

RUN = re.compile(rb"[A-HJ-NPR-Z0-9]{17,}")
_SERIAL_WINDOW = re.compile(rb"(?=[0-9]{0,9}[A-Z])(?=.{13}[0-9]{4})", re.DOTALL)
_SEVENTEENS = re.compile(rb"(?:.{13}[0-9]{4})+")
NEARLY_EXACT = 20
"""Characters of a run that holds a VIN and up to three neighbours that fit by accident."""
_DOUBTFUL = ("xor", "added", "packed-6-msb", "packed-6-lsb")
"""Forms in which tables and text often look like a VIN."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VinCandidate:
    """One reading of some bytes."""

    text: str
    form: StoredForm
    trace: Trace
    shape: VinShape
    run: int | None
    """Characters of the alphabet in a row here, 17 when the VIN stands alone or among
    other VINs; None in packed forms, where neighbours mean nothing."""
    goes_on: bool
    """A digit follows: the digits at the end of a VIN do not stop before their run does."""
    alone: bool = False
    """Swapped as a field by itself, not as a part of swapped words."""

    @property
    def bits(self) -> int:
        """How much speaks for this reading of the bytes against others.

        On top of the shape: how unusual the form is (rough, no source), neighbours that
        fit as well, digits that go on.
        """
        bits = self.shape.bits - sum(_COSTS[step.kind] for step in self.form.steps)
        bits -= 6 * self.alone + 2 * self.goes_on
        if self.run is not None:
            bits -= 8 if self.run > NEARLY_EXACT else 2 * (self.run - VIN_LENGTH)
        return bits


_COSTS = {
    "plain": 0,
    "utf-16-be": 0,
    "utf-16-le": 0,
    "lower-case": 2,
    "swapped-16": 3,
    "swapped-32": 5,
    "reversed": 5,
    "every-2": 3,
    "every-4": 5,
    "inverted": 4,
    "nibbles-swapped": 6,
    "bits-reversed": 6,
    "xor": 12,
    "added": 12,
    "packed-7-msb": 6,
    "packed-7-lsb": 6,
    "packed-6-msb": 8,
    "packed-6-lsb": 8,
}


def is_clear(form: StoredForm, shape: VinShape, run: int | None) -> bool:
    """Whether a candidate is reported without being asked for more.

    The rules are those of `memtool.core.identity.vin_search`, chance left aside.
    """
    last = form.steps[-1].kind
    plain, doubtful = form.name == "plain", last in _DOUBTFUL
    reordered = form.steps[0].kind in (*ORDER_STEPS, *SPACING_STEPS)
    if last in ("xor", "added"):
        sound = shape.check_digit and shape.serial and shape.country
        neighbours = 2 if shape.large_steps >= 5 else 0
        return sound and run is not None and run <= VIN_LENGTH + neighbours
    if shape.check_digit and shape.serial:
        if run is not None and run > NEARLY_EXACT:
            return shape.country and not reordered
        return shape.country or not doubtful
    if shape.serial:
        near = run is None or run <= NEARLY_EXACT
        return near and not doubtful and (shape.country or (plain and run == VIN_LENGTH))
    return shape.check_digit and plain and run == VIN_LENGTH


def find_windows(view: bytes, *, deep: bool) -> Iterator[tuple[int, str, VinShape, int]]:
    """(place, text, shape, run) of what may be a VIN in a view in which texts stand plain.

    In a run of more than seventeen characters only windows with four digits at the end are
    tried, unless it is made of several seventeens. Unless `deep`, all must end so, and runs
    of more than `NEARLY_EXACT` characters are left out but for seventeens.
    """
    for match in RUN.finditer(view):
        run, length = match[0], len(match[0])
        if length == VIN_LENGTH and not (deep or run[-4:].isdigit()):
            continue
        several = length % VIN_LENGTH == 0 and _SEVENTEENS.fullmatch(run)
        if length == VIN_LENGTH or several:
            places = range(0, length, VIN_LENGTH)
            shapes = [_shape_at(run, place) for place in places]
            if None not in shapes or length == VIN_LENGTH:
                for place, shape in zip(places, shapes, strict=True):
                    if shape is not None:
                        text = run[place : place + VIN_LENGTH].decode("ascii")
                        yield match.start() + place, text, shape, VIN_LENGTH
                continue
        if length > NEARLY_EXACT and not deep:
            continue
        for window in _SERIAL_WINDOW.finditer(run, 0, length):
            place = window.start()
            shape = _shape_at(run, place)
            if shape is not None:
                text = run[place : place + VIN_LENGTH].decode("ascii")
                yield match.start() + place, text, shape, length


def digit_follows(view: bytes, place: int) -> bool:
    """Whether the text at `place` is followed by a digit."""
    return view[place + VIN_LENGTH : place + VIN_LENGTH + 1].isdigit()


def _shape_at(run: bytes, place: int) -> VinShape | None:
    return find_vin_shape(run[place : place + VIN_LENGTH].decode("ascii"))
