"""What seventeen characters must have to be taken for a VIN that nobody has told.

Every rule was held against the 9,895 VINs of the package vin 0.6.2 (97 real listings, 299
lawful exceptions, 9,499 published patterns), and all of them pass:

1. No `0` in position 1 (ISO 3780 gives it to nobody).
2. At least two letters among the first ten characters. They have three or more.
3. At least five different characters. They have six or more.
4. No run of more than eight equal characters. They have five at most.
5. No character more than nine times. They have one seven times at most.
6. Not all letters among A to F: dumps and digests printed as text look like that. None does.
7. Codes of neighbouring characters differ by eight or more at least three times, and by 80
   or more altogether: maps of calibration change smoothly. They differ so three times or
   more, and by 102 or more.

Rules 6 and 7 are noted, not applied, where a character fills a byte and no key is tried: there
the standards and what stands around decide, see `memtool.core.texts.vin_candidates`.

A check digit alone proves little (1 of 33 random texts has the right one), four digits at
the end not much (1 of 119). Both together, in a run of exactly seventeen characters or in a
form that chance hardly makes, do; see `memtool.core.texts.chance`.
"""

from __future__ import annotations

import re
from itertools import pairwise
from typing import NamedTuple

from memtool.core.texts.vin import (
    YEAR_CODES,
    CheckDigitState,
    check_digit_state,
    compute_check_digit,
    is_well_formed,
)
from memtool.core.texts.vin_regions import find_country

_LONG_RUN = re.compile(r"(.)\1{8}")
_LETTER = re.compile(r"[A-Z]")
_LETTER_OF_NO_HEX = re.compile(r"[G-Z]")


class VinShape(NamedTuple):
    """What speaks for a text being a VIN."""

    check_digit: bool
    """Position 9 matches."""
    serial: bool
    """The last four are digits, as ISO 3779 and 49 CFR 565.15(d) ask."""
    country: bool
    """The first two characters are assigned to a country."""
    allowed: bool
    """The standards allow it: four digits at the end, a country, and where the market's rules
    ask for a check digit the right one."""
    year: bool
    """Position 10 is a model-year code."""
    six_digits: bool
    """The last six are digits, as those of large makers: 49 CFR 565.15 (d) asks cars for five."""
    hexadecimal: bool
    """It breaks rule 6, as digests do."""
    smooth: bool
    """It breaks rule 7, as tables do."""
    large_steps: int
    """Neighbouring characters whose codes differ by eight or more."""


def find_vin_shape(text: str, *, in_plain: bool = False) -> VinShape | None:
    """What speaks for `text`, or None where it breaks one of the module's rules.

    Args:
        text: Of any length and content.
        in_plain: Rules 6 and 7 are noted, not applied.
    """
    if not is_well_formed(text) or text[0] == "0" or len(set(text)) < 5:
        return None
    if len(_LETTER.findall(text, 0, 10)) < 2:
        return None
    if _LONG_RUN.search(text) or max(map(text.count, set(text))) > 9:
        return None
    codes = text.encode()
    steps = [abs(left - right) for left, right in pairwise(codes)]
    large = sum([step >= 8 for step in steps])
    smooth, hexadecimal = sum(steps) < 80 or large < 3, not _LETTER_OF_NO_HEX.search(text)
    if (smooth or hexadecimal) and not (in_plain and large):
        return None
    check_digit = compute_check_digit(text) == text[8]
    serial, country = text[13:].isdigit(), find_country(text) is not None
    lawful = check_digit_state(text) is not CheckDigitState.INVALID
    return VinShape(
        check_digit=check_digit,
        serial=serial,
        country=country,
        allowed=serial and country and lawful,
        year=text[9] in YEAR_CODES,
        six_digits=text[11:].isdigit(),
        hexadecimal=hexadecimal,
        smooth=smooth,
        large_steps=large,
    )
