"""How many VINs an image may hold: a module's memory holds few, and each of them costs time."""

from __future__ import annotations

from memtool.core.texts.vin import VIN_LENGTH
from memtool.core.texts.vin_candidates import VinCandidate
from memtool.errors import InputError

MOST_VINS = 4096
"""In one image; the largest memories of modules hold some dozens."""
_BYTES_FOR_ONE = 1024
"""Text without blanks makes a check digit, four digits and a country by chance once in four times
as many bytes."""


class VinCrowd:
    """Counts the texts of one image that are VINs beyond doubt, and stops where they are a list."""

    def __init__(self, size: int) -> None:
        """None was counted yet.

        Args:
            size: Bytes of the image.
        """
        self._most_in_rows = MOST_VINS + size // _BYTES_FOR_ONE
        self._alone: set[int] = set()
        self._in_rows: set[int] = set()

    def note(self, candidate: VinCandidate) -> None:
        """Count a candidate, the readings of one place once.

        Raises:
            InputError: these are more than the memory of a module holds (``too-many-vins``).
        """
        shape, run = candidate.shape, candidate.run
        # In forms of near misses any long table makes some; those are ruled out by themselves.
        if run is None or not (shape.serial and shape.country):
            return
        if candidate.form.last.counts_near_misses:
            return
        place = candidate.trace.span.start // VIN_LENGTH
        if run == VIN_LENGTH:
            self._alone.add(place)
        elif shape.check_digit:
            self._in_rows.add(place)
        if len(self._alone) > MOST_VINS or len(self._in_rows) > self._most_in_rows:
            raise InputError(
                f"more than {MOST_VINS:,} VINs lie in it: that is a list of vehicles, not the "
                "memory of a module",
                code="too-many-vins",
                next_step="give the file as the reader wrote it, or cut out the part that counts "
                "with benchimage convert --span",
            )
