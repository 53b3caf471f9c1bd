"""VINs that nobody has told: found by their structure."""

from __future__ import annotations

import re
from dataclasses import dataclass

from memtool.core.chance import chances_of_bytes, measure_mix
from memtool.core.image import Image
from memtool.core.span import Span
from memtool.core.vin import CheckDigitState, check_digit_state


@dataclass(frozen=True, slots=True, kw_only=True)
class VinFinding:
    """A text that has the structure of a VIN."""

    text: str
    """Seventeen characters of the VIN alphabet."""
    span: Span
    """From the first to the last byte, foreign bytes between included."""
    stored_as: str
    """Name of the stored form, key or bit offset included."""
    check_digit: CheckDigitState
    expected_by_chance: float
    """Texts of at least this structure that chance gives in such an image, in this form."""
    pieces: tuple[Span, ...]
    """The byte runs that are really occupied."""
    mask: bytes
    """One for each byte of `pieces`, in order: its bits that belong to the text."""


def find_vins(image: Image, *, deep: bool = False) -> tuple[VinFinding, ...]:
    """Find VINs in `image` (for now in plain text alone)."""
    mix = measure_mix(image)
    chances = chances_of_bytes(mix, range(256))
    found = []
    for segment in image.segments:
        for match in re.finditer(
            rb"(?<![A-Z0-9])[A-HJ-NPR-Z0-9]{13}[0-9]{4}(?![A-Z0-9])", segment.data
        ):
            text = match.group().decode()
            if len(set(text)) < 5:
                continue
            span = Span(segment.start + match.start(), segment.start + match.end())
            state = check_digit_state(text)
            valid = state is CheckDigitState.VALID
            chance = mix.size * chances.of_vin(check_digit=valid, serial=True)
            found.append(
                VinFinding(
                    text=text,
                    span=span,
                    stored_as="plain",
                    check_digit=state,
                    expected_by_chance=chance,
                    pieces=(span,),
                    mask=b"\xff" * 17,
                )
            )
    return tuple(found)
