"""Collects what is wrong with one file: the first faults whole, all of them counted."""

from __future__ import annotations

import math
from typing import NoReturn

from memtool.errors import Fault, ImageFormatError

KEPT = 20
"""Faults that an error carries; the rest is a number."""

_TRIM_AT = 50 * KEPT
MANY = 1000
"""Faults of lines after which the rest of a file is not read: it is no such file."""

_NEXT_STEPS = {
    "missing-end": (
        "the file may be cut short: read the chip again, or take it as it is with"
        " 'benchimage convert ... --accept missing-end'"
    ),
    "byte-order-mark": "save it again without a byte order mark",
    "overlap": "read the chip again; '--overlap last' lets the last record win",
    "mixed-addressing": "write the file again with one kind of address records",
    "line-end": "save it again with line feeds at the line ends",
}
_NEXT_STEP = "nothing of it was used; get the file from the reader again"
_GAVE_UP = f"{MANY:,} lines are wrong, the rest was not looked at; {_NEXT_STEP}"


class FaultList:
    """The faults of one file. Filled while reading, then raised as one error."""

    def __init__(self) -> None:
        self.count = 0
        """The number of faults; of a file that is wrong throughout, of its first lines."""
        self._kept: list[Fault] = []

    def add(self, fault: Fault) -> None:
        """Count `fault`; keep it if it is among the first of the file."""
        self.count += 1
        self._kept.append(fault)
        if len(self._kept) >= _TRIM_AT:
            self._kept = self._first()

    def _first(self) -> list[Fault]:
        return sorted(self._kept, key=_place)[:KEPT]

    def give_up_if_many(self) -> None:
        """Raise what there is, where it is too much for the rest of the file to matter.

        Raises:
            ImageFormatError: there are `MANY` faults.
        """
        if self.count >= MANY:
            self._raise(_GAVE_UP)

    def raise_if_any(self) -> None:
        """Raise all faults as one error that speaks of the first.

        Raises:
            ImageFormatError: there is a fault.
        """
        if self._kept:
            self._raise(None)

    def _raise(self, next_step: str | None) -> NoReturn:
        faults = self._first()
        first = faults[0]
        if next_step is None:
            next_step = _NEXT_STEPS.get(first.code, _NEXT_STEP)
        raise ImageFormatError(
            first.text,
            code=first.code,
            faults=faults,
            fault_count=self.count,
            next_step=next_step,
            line=first.line,
            address=first.address,
        )


def _place(fault: Fault) -> tuple[float, float]:
    """Order of the file; a fault of a whole line or file comes after those inside it."""
    return (
        math.inf if fault.line is None else fault.line,
        math.inf if fault.column is None else fault.column,
    )
