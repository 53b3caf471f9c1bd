"""How much of some bytes reads as text, and which whole VINs stand in them.

Two signs of text, made for being asked of many views of one read:

* words: pairs of letters that are common in English (and mostly in its neighbours) make up
  far more of the letter pairs of real words than of any scramble of them, in all runs
  together and in single ones;
* fields: texts of 10 to 48 characters that stand alone between padding, like to like inside
  (capitals and digits together, small letters together), as part numbers and dates do.

Tables of numbers can look like letters; they creep from one byte to a near one, or from one
to the next but one, and so count for neither.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.runs import array_of, rows_of_bytes
from memtool.core.texts.vin import VIN_LENGTH, CheckDigitState, check_digit_state, explain_vin
from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from memtool.core.runs import Bytes, Mask

    PairCounts = NDArray[np.intp]
    """256 rows of 256: how often each byte value is followed by each."""
    Marks = NDArray[np.bool_]
    Runs = NDArray[np.intp]
    """Rows of (first, end)."""

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

_VIN = re.compile(rb"[A-HJ-NPR-Z0-9]{13}[0-9]{4}")
_WORD_MARKS = bytes(value in _CAPITALS + _DIGITS for value in range(256))
"""For ``bytes.translate``: 1 for capitals and digits, with which no VIN goes on."""
_PADDING = frozenset(b"\x00\x20\xff")
_LEAST_DIFFERENT = 6
"""Different characters that a VIN must have to be evidence; fills of one digit pass too."""


class TextSigns(NamedTuple):
    """How much some bytes look like text."""

    length: int
    """Characters in runs of text."""
    letter_pairs: int
    """Pairs of letters that stand in runs of text and are no step to the same or next letter."""
    common_pairs: int
    """Those that are common in words."""
    word_pairs: int
    """Common pairs in those runs alone that consist of words for the most part."""
    field_length: int
    """Characters in fields that stand alone."""
    fields: int

    @property
    def common_share(self) -> float:
        """Common pairs among the letter pairs: about 0.5 in words, 0.1 in random letters."""
        return self.common_pairs / self.letter_pairs if self.letter_pairs else 0.0


NO_TEXT = TextSigns(
    length=0, letter_pairs=0, common_pairs=0, word_pairs=0, field_length=0, fields=0
)


@cache
def text_table() -> Marks:
    """True for each byte value that is a character of texts. Not to be changed."""
    return _table_of(_CAPITALS + _SMALL + _DIGITS + _SEPARATORS)


@cache
def padding_table() -> Marks:
    """True for each byte value that stands around texts. Not to be changed."""
    return _table_of(bytes(_PADDING))


def _table_of(values: bytes) -> Marks:
    table = np.zeros(256, dtype=bool)
    table[list(values)] = True
    table.flags.writeable = False
    return table


_LETTERS, _COMMON, _ALIKE, _CREEPING = 1, 2, 4, 8


@cache
def _pair_table() -> NDArray[np.uint8]:
    """What each pair of bytes (first times 256 plus second) is, as a sum of the marks above."""
    table = np.zeros((256, 256), dtype=np.uint8)
    common = {pair.encode() for pair in _COMMON_PAIRS.split()}
    common |= {pair.upper() for pair in common} | {pair.title() for pair in common}
    for cased in (_CAPITALS, _SMALL):
        for first in cased:
            for second in cased:
                if abs(first - second) > 1:
                    # A step to the same or the next letter is what slow tables make.
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


def find_text_runs(content: bytes, shown_as: Bytes | None = None) -> Runs:
    """(first, end) of every run of `SHORTEST_RUN` characters of text and more.

    Args:
        content: Any bytes.
        shown_as: What each of the 256 values is read as; itself if left out.
    """
    marks = text_table() if shown_as is None else text_table()[shown_as]
    return rows_of_bytes(content, marks.tobytes(), SHORTEST_RUN)


def count_common_pairs(pair_counts: PairCounts, shown_as: Bytes) -> int:
    """How many pairs of neighbours are common in words where bytes are read by a table.

    Args:
        pair_counts: How often each value of the bytes is followed by each.
        shown_as: What each of the 256 values is read as, no two of them as the same.
    """
    read_as = np.argsort(shown_as)
    first, second = _common_pairs()
    return int(pair_counts[read_as[first], read_as[second]].sum())


@cache
def _common_pairs() -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """The first and the second byte of each pair that is common in words."""
    first, second = np.nonzero(_pair_table().reshape(256, 256) & _COMMON)
    return first, second


def find_text_signs(content: bytes, runs: Runs) -> TextSigns:
    """Count the signs of text in `content`, whose text runs are `runs`."""
    if not len(runs):
        return NO_TEXT
    lengths = runs[:, 1] - runs[:, 0]
    # All runs one behind the other, with where each begins.
    starts = np.concatenate(([0], np.cumsum(lengths)[:-1]))
    # How far ahead of its place there each one stands in `content`.
    ahead = np.repeat(runs[:, 0] - starts, lengths)
    chars = array_of(content)[np.arange(len(ahead)) + ahead]
    # The pair across two runs counts to the first of them: one doubtful pair a run.
    pairs = _pair_table()[(chars[:-1].astype(np.uint16) << 8) | chars[1:]]
    # Differences modulo 256 are exact enough: no two characters of text are so far apart.
    # Plus 2, then at most 4: the same as within 2 in either direction, in unsigned bytes.
    skipping = chars[2:] - chars[:-2] + np.uint8(2) <= 4
    creeping = (pairs & _CREEPING) > 0
    # One small step is met in words; with a second one, or none but one between, it is a slope.
    creeping[:-1] &= creeping[1:] | skipping
    letters = ((pairs & _LETTERS) > 0) & ~creeping
    common = letters & ((pairs & _COMMON) > 0)
    fields = _are_fields(content, runs, starts, pairs, skipping)
    return TextSigns(
        length=len(chars),
        letter_pairs=int(letters.sum()),
        common_pairs=int(common.sum()),
        word_pairs=_count_word_pairs(letters, common, starts, lengths),
        field_length=int(lengths[fields].sum()),
        fields=int(fields.sum()),
    )


_LEAST_IN_RUN = 4
"""Common pairs that a run of words has at least: ``controller`` has seven."""
_SHARE_IN_RUN = 0.4
"""Common pairs among the letter pairs of a run of words."""


def _count_word_pairs(
    letters: Mask, common: Mask, starts: NDArray[np.intp], lengths: NDArray[np.intp]
) -> int:
    """Common pairs in runs in which most pairs are of letters, and many of these common."""
    # Sums from each start to the next. There is one pair less than characters, hence the False.
    in_run = np.add.reduceat(np.append(letters, False), starts, dtype=np.intp)
    good = np.add.reduceat(np.append(common, False), starts, dtype=np.intp)
    words = (good >= _LEAST_IN_RUN) & (good >= _SHARE_IN_RUN * in_run) & (2 * in_run >= lengths)
    return int(good[words].sum())


def _stand_alone(content: bytes, runs: Runs) -> Mask:
    """Which runs are as long as fields and stand between padding or the ends of `content`."""
    data = np.frombuffer(content, dtype=np.uint8)
    lengths = runs[:, 1] - runs[:, 0]
    padding = padding_table()
    # The index is held inside the content; the second half answers for its ends.
    before = padding[data[np.maximum(runs[:, 0], 1) - 1]] | (runs[:, 0] == 0)
    behind = padding[data[np.minimum(runs[:, 1], len(data) - 1)]] | (runs[:, 1] == len(data))
    alone: Mask = before & behind & (lengths >= _SHORTEST_FIELD) & (lengths <= _LONGEST_FIELD)
    return alone


def _are_fields(
    content: bytes,
    runs: Runs,
    starts: NDArray[np.intp],
    pairs: NDArray[np.uint8],
    skipping: Mask,
) -> Mask:
    """Which runs stand alone, hold like beside like, and do not creep."""
    alone = _stand_alone(content, runs)
    if not alone.any():
        return alone
    lengths = runs[:, 1] - runs[:, 0]
    pairs = np.append(pairs, np.uint8(0))
    alike = np.add.reduceat((pairs & _ALIKE) > 0, starts, dtype=np.intp)
    creeping = np.add.reduceat((pairs & _CREEPING) > 0, starts, dtype=np.intp)
    skips = np.add.reduceat(np.append(skipping, (False, False)), starts, dtype=np.intp)
    text_like: Mask = (
        (10 * alike >= 8 * (lengths - 1)) & (2 * creeping < lengths) & (2 * skips < lengths)
    )
    fields: Mask = alone & text_like
    return fields


def find_certain_vins(content: bytes, runs: Runs | None = None) -> frozenset[str]:
    """Texts that can hardly be anything but VINs.

    Standing alone, check digit right, last four places digits, six different characters or
    more: less than one in a thousand texts of 17 letters and digits.

    Args:
        content: Any bytes.
        runs: Its text runs; worked out if left out.
    """
    return frozenset(
        text
        for text, _ in _find_shapes(content, runs)
        if check_digit_state(text) is CheckDigitState.VALID
    )


def find_padded_vins(content: bytes, runs: Runs | None = None) -> frozenset[str]:
    """VINs that hold as evidence in one of many views of some bytes.

    Of a known country, with a model year, and standing apart: between padding (00, FF,
    blank, an end of `content`), or with a right check digit between bytes that are no text.
    """
    found = set()
    for text, start in _find_shapes(content, runs):
        state = check_digit_state(text)
        end = start + VIN_LENGTH
        around = {*content[max(0, start - 1) : start], *content[end : end + 1]}
        alone = around <= _PADDING
        apart = not any(text_table()[value] for value in around - _PADDING)
        right = state is CheckDigitState.VALID
        if (alone and state is not CheckDigitState.INVALID) or (apart and right):
            report = explain_vin(text)
            if report.country is not None and report.model_years:
                found.add(text)
    return frozenset(found)


def _find_shapes(content: bytes, runs: Runs | None) -> Iterator[tuple[str, int]]:
    """(text, place) of everything that looks like a VIN, six different characters or more."""
    if runs is None:
        runs = find_text_runs(content)
    if not (runs[:, 1] - runs[:, 0] >= VIN_LENGTH).any():
        return
    # Most runs of text are many words: a word of just so many letters and digits is rare.
    words = rows_of_bytes(content, _WORD_MARKS, VIN_LENGTH)
    for first, end in words[words[:, 1] - words[:, 0] == VIN_LENGTH].tolist():
        if _VIN.fullmatch(content, first, end):
            text = content[first:end].decode("ascii")
            if len(set(text)) >= _LEAST_DIFFERENT:
                yield text, first
