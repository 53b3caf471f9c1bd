"""How much of some bytes reads as text, and which whole VINs stand in them.

Two signs of text, made for being asked of many views of one read:

* words: pairs of letters that are common in English (and mostly in its neighbours) make up
  far more of the letter pairs of real words than of any scramble of them;
* fields: texts of 10 to 48 characters that stand alone between padding, like to like inside
  (capitals and digits together, small letters together), as part numbers and dates do.

Tables of numbers can look like letters; they creep from one byte to a near one, or from one
to the next but one, and so count for neither.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from memtool.core.vin import CheckDigitState, check_digit_state, explain_vin

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from memtool.core.runs import Bytes, Mask

    Table = NDArray[np.bool_]

SHORTEST_RUN = 8
"""Characters in a row from which on letter pairs are counted."""
_SHORTEST_FIELD, _LONGEST_FIELD = 10, 48
_CAPITALS = b"ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_SMALL = b"abcdefghijklmnopqrstuvwxyz"
_DIGITS = b"0123456789"
_SEPARATORS = b" ._/:+-,()#"

_COMMON_PAIRS = (
    "th he in er an re on at en nd ti es or te of ed is it al ar st to nt ng se ha as ou io le "
    "ve co me de hi ri ro ic ne ea ra ce li ch ll be ma si om ur ca el ta la ns di fo ho pe ec"
)
"""The 60 commonest letter pairs of English text. From memory, no source; any list of this
length that is right for most of its entries serves as well."""

_VIN = re.compile(rb"(?<![A-Z0-9])[A-HJ-NPR-Z0-9]{13}[0-9]{4}(?![A-Z0-9])")
_PADDING = frozenset(b"\x00\x20\xff")
_LEAST_DIFFERENT = 6
"""Different characters that a VIN must have to be evidence; fills of one digit pass too."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TextSigns:
    """How much some bytes look like text."""

    letter_pairs: int
    """Pairs of letters that stand in runs of text and are no step to the same or next letter."""
    common_pairs: int
    """Those that are common in words."""
    field_length: int
    """Characters in fields that stand alone."""
    fields: int

    @property
    def common_share(self) -> float:
        """Common pairs among the letter pairs: about 0.5 in words, 0.1 in random letters."""
        return self.common_pairs / self.letter_pairs if self.letter_pairs else 0.0


NO_TEXT = TextSigns(letter_pairs=0, common_pairs=0, field_length=0, fields=0)


@cache
def text_table() -> Table:
    """True for each byte value that is a character of texts. Not to be changed."""
    return _table_of(_CAPITALS + _SMALL + _DIGITS + _SEPARATORS)


@cache
def padding_table() -> Table:
    """True for each byte value that stands around texts. Not to be changed."""
    return _table_of(bytes(_PADDING))


def _table_of(values: bytes) -> Table:
    import numpy as np

    table = np.zeros(256, dtype=bool)
    table[list(values)] = True
    table.flags.writeable = False
    return table


_LETTERS, _COMMON, _ALIKE, _CREEPING = 1, 2, 4, 8


@cache
def _pair_table() -> NDArray[np.uint8]:
    """What each pair of bytes (first times 256 plus second) is, as a sum of the marks above."""
    import numpy as np

    table = np.zeros((256, 256), dtype=np.uint8)
    common = {pair.encode() for pair in _COMMON_PAIRS.split()}
    common |= {pair.upper() for pair in common} | {pair.title() for pair in common}
    for cased in (_CAPITALS, _SMALL):
        for first in cased:
            for second in cased:
                if abs(first - second) > 1:
                    table[first, second] |= _LETTERS
    for first in _CAPITALS:
        table[first, list(_SMALL)] |= _LETTERS | _ALIKE
    for pair in common:
        if abs(pair[0] - pair[1]) > 1:
            table[pair[0], pair[1]] |= _COMMON
    for group in (_CAPITALS + _DIGITS, _SMALL):
        table[np.ix_(list(group), list(group))] |= _ALIKE
    for separator in _SEPARATORS:
        table[separator, list(_CAPITALS + _DIGITS + _SMALL)] |= _ALIKE
        table[list(_CAPITALS + _DIGITS + _SMALL), separator] |= _ALIKE
    values = np.arange(256)
    near = np.abs(values[:, None] - values[None, :]) <= 2
    table[near] |= _CREEPING
    return table.reshape(-1)


def find_text_signs(data: Bytes) -> TextSigns:
    """Count the signs of text in `data`."""
    import numpy as np

    mask = text_table()[data]
    edges = np.flatnonzero(np.diff(mask.view(np.int8), prepend=0, append=0)).reshape(-1, 2)
    lengths = edges[:, 1] - edges[:, 0]
    edges, lengths = edges[lengths >= SHORTEST_RUN], lengths[lengths >= SHORTEST_RUN]
    if not len(edges):
        return NO_TEXT
    # All runs one behind the other, with where each begins.
    starts = np.concatenate(([0], np.cumsum(lengths)[:-1]))
    places = np.repeat(edges[:, 0] - starts, lengths) + np.arange(int(lengths.sum()))
    chars = data[places].astype(np.intp)
    pairs = _pair_table()[(chars[:-1] << 8) | chars[1:]]
    creeping = (pairs & _CREEPING) > 0
    creeping[:-1] &= creeping[1:] | (np.abs(chars[2:] - chars[:-2]) <= 2)
    letters = ((pairs & _LETTERS) > 0) & ~creeping
    lengthwise = _is_field(data, edges, lengths, starts, pairs, chars)
    return TextSigns(
        letter_pairs=int(letters.sum()),
        common_pairs=int((letters & ((pairs & _COMMON) > 0)).sum()),
        field_length=int(lengths[lengthwise].sum()),
        fields=int(lengthwise.sum()),
    )


def _is_field(
    data: Bytes,
    edges: NDArray[np.intp],
    lengths: NDArray[np.intp],
    starts: NDArray[np.intp],
    pairs: NDArray[np.uint8],
    chars: NDArray[np.intp],
) -> Mask:
    """Which runs stand alone, hold like beside like, and do not creep."""
    import numpy as np

    padded = np.concatenate(([True], padding_table()[data], [True]))
    alone = padded[edges[:, 0]] & padded[edges[:, 1] + 1]
    pairs = np.append(pairs, np.uint8(0))
    alike = np.add.reduceat((pairs & _ALIKE) > 0, starts, dtype=np.intp)
    creeping = np.add.reduceat((pairs & _CREEPING) > 0, starts, dtype=np.intp)
    skipping = np.append(np.abs(chars[2:] - chars[:-2]) <= 2, (False, False))
    skips = np.add.reduceat(skipping, starts, dtype=np.intp)
    right_size: Mask = (lengths >= _SHORTEST_FIELD) & (lengths <= _LONGEST_FIELD)
    text_like: Mask = (
        (10 * alike >= 8 * (lengths - 1)) & (2 * creeping < lengths) & (2 * skips < lengths)
    )
    fields: Mask = alone & right_size & text_like
    return fields


def find_certain_vins(data: bytes, *, padded: bool = False) -> frozenset[str]:
    """Texts that can hardly be anything but VINs.

    Standing alone, check digit right, last four places digits, six different characters or
    more: less than one in a thousand texts of 17 letters and digits.

    Args:
        data: Any bytes.
        padded: Ask also for padding (00, FF, blank, or the end of `data`) on both sides, a
            known country and a model year; for bytes that are one of many guesses.
    """
    found = set()
    for match in _VIN.finditer(data):
        text = match.group().decode("ascii")
        if len(set(text)) < _LEAST_DIFFERENT:
            continue
        if check_digit_state(text) is not CheckDigitState.VALID:
            continue
        if padded and not (_is_padded(data, match) and _is_plausible(text)):
            continue
        found.add(text)
    return frozenset(found)


def _is_padded(data: bytes, match: re.Match[bytes]) -> bool:
    start, end = match.span()
    return (start == 0 or data[start - 1] in _PADDING) and (
        end == len(data) or data[end] in _PADDING
    )


def _is_plausible(text: str) -> bool:
    report = explain_vin(text)
    return report.country is not None and bool(report.model_years)
