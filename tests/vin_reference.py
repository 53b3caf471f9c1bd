"""A second way to the check digit, written without looking at memtool's tables.

Letters take their value from their place in a row of ten, as the transliteration table of
49 CFR 565.15(c) is often drawn; dots are places that no letter has.
"""

from __future__ import annotations

ROWS = ("ABCDEFGH.", "JKLMN.P.R", ".STUVWXYZ")
WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
LETTERS = "ABCDEFGHJKLMNPRSTUVWXYZ"
ALPHABET = LETTERS + "0123456789"


def value_of(character: str) -> int:
    """The number a character counts as."""
    if character in "0123456789":
        return "0123456789".index(character)
    return next(row.index(character) + 1 for row in ROWS if character in row)


def weighted_sum(text: str) -> int:
    """The sum of products over all 17 places."""
    total = 0
    for place in range(17):
        total += value_of(text[place]) * WEIGHTS[place]
    return total


def digit_of(text: str) -> str:
    """The digit that belongs in the ninth place."""
    rest = weighted_sum(text) % 11
    return "X" if rest == 10 else str(rest)


def with_digit(text: str) -> str:
    """`text` with its ninth character replaced by the right digit."""
    return text[:8] + digit_of(text) + text[9:]
