"""Vehicle identification numbers: alphabet, sections, check digit and model year as data.

Rules that hold here:

1. A VIN is 17 characters of `ALPHABET`, capitals, no blanks, no I, O, Q.
2. Position 9 may hold a check digit. Where it matches it is `valid`, in every market.
3. Where it does not match, position 1 decides: codes of North America (`1` to `5`, `7`) and
   of China (`L`) need it, so the state is `invalid`. Everywhere else it is `not-required`.
   That says nothing about the vehicle: lists of lawful exceptions exist.
4. A match proves little: 1 of 33 random texts matches, and so do seventeen equal digits.

Sources: ISO 3779:2009 (sections; at second hand), 49 CFR 565.13 and 565.15 (alphabet, check
digit, model year, low-volume makers), GB 16735-2019 appendix A (the same check digit in
China; at second hand). Positions count from 1, as all of these do.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from operator import mul
from typing import NamedTuple

from memtool.core.texts.vin_regions import find_country, find_world_region

VIN_LENGTH = 17
ALPHABET = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"
"""33 characters: capitals without I, O and Q, and the digits. 49 CFR 565.13(g)."""

CHARACTER_VALUES = {
    **dict(zip("ABCDEFGH", range(1, 9), strict=True)),
    **dict(zip("JKLMN", range(1, 6), strict=True)),
    "P": 7,
    "R": 9,
    **dict(zip("STUVWXYZ", range(2, 10), strict=True)),
    **{str(digit): digit for digit in range(10)},
}
"""49 CFR 565.15(c), Table III. `S` is 2, not 1, and no letter is 0."""

WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
"""One a position; position 9 itself weighs nothing. 49 CFR 565.15(c), Table IV."""

CHECK_CHARACTERS = "0123456789X"
"""The remainder of the weighted sum by 11, as position 9 shows it. 49 CFR 565.15(c)."""

YEAR_CODES = "ABCDEFGHJKLMNPRSTVWXY123456789"
"""Position 10: 1980 to 2009 in this order, and again 2010 to 2039; never I, O, Q, U, Z, 0.

49 CFR 565.15(d)(1), Table VII; 565.25, Table XIII for 1980 to 2013.
"""

_CHECKED_FIRST = frozenset("123457L")
"""First characters whose market rules require the check digit.

49 CFR 565.13(c) for the United States, MVSR schedule IV section 115 for Canada,
NOM-001-SSP for Mexico, GB 16735 for China. Position 1 tells who got the code, not where the
vehicle was sold; two barcode encoders (Zint, BWIPP) draw the line in the same way, at 1 to 5.
"""

_SHAPE = re.compile(f"[{ALPHABET}]{{{VIN_LENGTH}}}")


class CheckDigitState(StrEnum):
    """What position 9 says."""

    VALID = "valid"
    INVALID = "invalid"
    NOT_REQUIRED = "not-required"


@dataclass(frozen=True, slots=True)
class Vin:
    """A text that has the shape of a VIN; its check digit may still not match.

    Raises:
        ValueError: `text` has not that shape.
    """

    text: str
    """17 characters of `ALPHABET`."""

    def __post_init__(self) -> None:
        problems = _shape_problems(self.text)
        if problems:
            raise ValueError(" ".join(problems))

    def __str__(self) -> str:
        return self.text

    @property
    def is_low_volume(self) -> bool:
        """Whether the maker's code has six characters: `9` in position 3, 565.15(a)."""
        return self.text[2] == "9"

    @property
    def maker_code(self) -> str:
        """Positions 1-3; with a `9` in position 3, positions 12-14 behind them."""
        return self.text[:3] + (self.text[11:14] if self.is_low_volume else "")

    @property
    def attributes(self) -> str:
        """Positions 4-8: what the maker says about the vehicle. 49 CFR 565.15(b)."""
        return self.text[3:8]

    @property
    def plant_code(self) -> str:
        """Position 11, where the maker follows 49 CFR 565.15(d)."""
        return self.text[10]

    @property
    def serial(self) -> str:
        """Positions 12-17; of a low-volume maker 15-17."""
        return self.text[14 if self.is_low_volume else 11 :]


class CheckDigit(NamedTuple):
    """Position 9 against the computed digit."""

    given: str
    """The character in position 9."""
    expected: str
    """What the other sixteen characters ask for: `0` to `9` or `X`."""
    state: CheckDigitState


class VinReport(NamedTuple):
    """All that a VIN says by itself. Made for any text whatever."""

    text: str
    """As it was given."""
    well_formed: bool
    """17 characters of `ALPHABET`. Lower-case letters are not."""
    check_digit: CheckDigit | None
    """None where the text cannot be read as a VIN."""
    world_region: str | None
    """Where the maker's code was assigned; None where unknown."""
    country: str | None
    """Country of the code's holder; None where unknown or disputed."""
    model_years: tuple[int, ...]
    """Candidates, the one that position 7 speaks for first; empty where there is none."""
    problems: tuple[str, ...]
    """Faults and notes, one sentence each, with full stop."""


def parse_vin(text: str) -> Vin:
    """Take `text` as a VIN by its shape alone: no blanks trimmed, no letters raised.

    Raises:
        ValueError: the text is not well formed; the message says how.
    """
    return Vin(text)


def fold_typed(text: str) -> str:
    """A VIN as people type it, in capitals and without blanks; what is none comes out alike."""
    return "".join(text.split()).upper()


def is_well_formed(text: str) -> bool:
    """Whether `text` is 17 characters of `ALPHABET`."""
    return _SHAPE.fullmatch(text) is not None


def compute_check_digit(text: str) -> str:
    """The character that belongs in position 9, `0` to `9` or `X`; what stands there is ignored.

    Raises:
        ValueError: `text` is not well formed.

    Source: 49 CFR 565.15(c). The integer remainder decides, not its decimal fraction: the
    regulator's own outline prints a wrong decimal for 7/11.
    """
    if not is_well_formed(text):
        raise ValueError("a check digit needs 17 characters of the VIN alphabet")
    values = map(CHARACTER_VALUES.__getitem__, text)
    return CHECK_CHARACTERS[sum(map(mul, values, WEIGHTS)) % 11]


def check_digit_state(text: str) -> CheckDigitState:
    """What position 9 of a well-formed VIN says, by rules 2 and 3 of this module.

    Raises:
        ValueError: `text` is not well formed.
    """
    if compute_check_digit(text) == text[8]:
        return CheckDigitState.VALID
    return CheckDigitState.INVALID if asks_for_check_digit(text) else CheckDigitState.NOT_REQUIRED


def asks_for_check_digit(text: str) -> bool:
    """Whether the rules of the maker's market ask for a check digit, by the first character.

    Args:
        text: At least one character.
    """
    return text[0] in _CHECKED_FIRST


def find_model_years(text: str) -> tuple[int, ...]:
    """The model years position 10 can mean, the one that position 7 speaks for first.

    For cars and light vehicles (up to 4,536 kg) under 49 CFR 565 a digit in position 7 means
    1980 to 2009 and a letter 2010 to 2039. One year is given where that rule can be taken to
    hold: a code of North America, or a check digit that matches. Elsewhere, and for China,
    which requires the check digit without that rule, both years are given. Heavier vehicles,
    trailers and motorcycles do not follow it, and a VIN alone does not tell them apart.

    Empty where position 10 holds no year code, which is usual outside North America.

    Raises:
        ValueError: `text` is not well formed.

    Source: 49 CFR 565.15(d)(1), Table VII with its note; 565.15(b) for position 7.
    """
    state = check_digit_state(text)
    if text[9] not in YEAR_CODES:
        return ()
    early = 1980 + YEAR_CODES.index(text[9])
    years = (early, early + 30) if text[6].isdigit() else (early + 30, early)
    by_rule = text[0] in "123457" or (state is CheckDigitState.VALID and text[0] != "L")
    return years[:1] if by_rule else years


def explain_vin(text: str) -> VinReport:
    """Say all that `text` tells as a VIN; any text is taken, the faults become `problems`.

    Lower-case letters make a text not well formed, but it is explained as its capitals.
    """
    capitals = _raise_letters(text)
    problems = _shape_problems(text)
    if not is_well_formed(capitals):
        return VinReport(
            text=text,
            well_formed=False,
            check_digit=None,
            world_region=find_world_region(capitals) if len(text) == VIN_LENGTH else None,
            country=find_country(capitals) if len(text) == VIN_LENGTH else None,
            model_years=(),
            problems=problems,
        )
    if capitals != text:
        problems += (f"It was read as {capitals}.",)
    digit = CheckDigit(
        given=capitals[8],
        expected=compute_check_digit(capitals),
        state=check_digit_state(capitals),
    )
    return VinReport(
        text=text,
        well_formed=capitals == text,
        check_digit=digit,
        world_region=find_world_region(capitals),
        country=find_country(capitals),
        model_years=find_model_years(capitals),
        problems=problems + _content_problems(capitals, digit),
    )


def mask_vin(text: str) -> str:
    """The maker's three characters and a bullet for each other; only bullets if not 17 long."""
    shown = 3 if len(text) == VIN_LENGTH else 0
    return text[:shown] + "\u2022" * (len(text) - shown)


def _raise_letters(text: str) -> str:
    """Capitals for ASCII letters; other letters may change length or meaning when raised."""
    return "".join(char.upper() if char.isascii() else char for char in text)


def _shape_problems(text: str) -> tuple[str, ...]:
    """Why `text` is not well formed; empty where it is."""
    problems: list[str] = []
    if len(text) != VIN_LENGTH:
        unit = "character" if len(text) == 1 else "characters"
        problems.append(f"It has {len(text)} {unit}, a VIN has {VIN_LENGTH}.")
    lower = [place for place, char in enumerate(text, 1) if char in "abcdefghjklmnprstuvwxyz"]
    if lower:
        problems.append(f"Lower-case letters ({_places(lower)}): a VIN is written in capitals.")
    wrong: dict[str, list[int]] = {}
    for place, char in enumerate(text, 1):
        if _raise_letters(char) not in ALPHABET:
            wrong.setdefault(char, []).append(place)
    problems += [_character_problem(char, places) for char, places in wrong.items()]
    return tuple(problems)


def _character_problem(char: str, places: list[int]) -> str:
    """One sentence about a character that no VIN has."""
    where = _places(places)
    if char in "IiOoQq":
        digit = "1" if char in "Ii" else "0"
        return f"{char} ({where}) is never used in a VIN: a {digit} may be meant."
    if char == " ":
        return f"A blank ({where}) is never used in a VIN."
    shown = f"'{char}'" if char.isascii() and char.isprintable() else f"U+{ord(char):04X}"
    return f"{shown} ({where}) is not a character of a VIN."


def _places(places: list[int]) -> str:
    """``position 3``, ``positions 3, 15``, a long list cut."""
    if len(places) == 1:
        return f"position {places[0]}"
    more = f" and {len(places) - 6} more" if len(places) > 6 else ""
    return f"positions {', '.join(str(place) for place in places[:6])}{more}"


def _content_problems(text: str, digit: CheckDigit) -> tuple[str, ...]:
    """Faults and notes about a text that has the shape of a VIN."""
    problems: list[str] = []
    if digit.state is not CheckDigitState.VALID:
        problems.append(_check_digit_problem(digit))
    if len(set(text)) == 1:
        more = " and its check digit always matches" if text[0].isdigit() else ""
        problems.append(f"All characters are equal{more}: that looks like filler, not like a VIN.")
    if text[0] == "0":
        problems.append("0 is not used in position 1.")
    if text[9] not in YEAR_CODES:
        problems.append(
            f"{text[9]} in position 10 is no model-year code; outside North America none is needed."
        )
    if not text[13:].isdigit():
        problems.append("Positions 14 to 17 are digits in ISO 3779 and in 49 CFR 565.15(d).")
    return tuple(problems)


def _check_digit_problem(digit: CheckDigit) -> str:
    """That position 9 does not match, and how much that weighs."""
    sentence = f"The check digit does not match: position 9 holds {digit.given}"
    if digit.given not in CHECK_CHARACTERS:
        sentence += ", which is no check digit"
    sentence += f"; the other characters ask for {digit.expected}."
    if digit.state is CheckDigitState.NOT_REQUIRED:
        return f"{sentence} Not every market requires one, so this is a note."
    return f"{sentence} Compare the VIN with its source; rare lawful exceptions exist."
