"""Unknown VINs under an unknown key: every byte combined with it, or the key added.

What two neighbours have between them (their exclusive or, their difference) does not
change with the key. Between two characters of the VIN alphabet it is one of few values,
and where digits follow letters it is one of fewer still. Runs of such steps are looked for
first; only there the keys are tried, all at once as the bits of one number a byte.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from memtool.core.identity.chance import VIN_CODES
from memtool.core.identity.stored_forms import Step, StoredForm, undoing_table
from memtool.core.identity.trace import make_trace
from memtool.core.identity.view import Parts, View
from memtool.core.identity.vin import VIN_LENGTH
from memtool.core.identity.vin_candidates import NEARLY_EXACT, VinCandidate
from memtool.core.identity.vin_shape import find_vin_shape
from memtool.core.image import Segment

_MARGIN = 8
_APART = b"\x00\x80"
"""No step of a text leads from one of these bytes to the other."""
_BETWEEN = {"xor": rb"\x00-\x1f\x60-\x7f", "added": rb"\x00-\x2a\xd6-\xff"}
"""Steps between two characters of the alphabet.

Digits are 0x30 to 0x39, letters 0x41 to 0x5A. Their exclusive or has equal bits 5 and 6 and
no bit 7; they differ by 42 at most.
"""
_CROSSING = {"xor": rb"\x60-\x7f", "added": rb"\x08-\x2a\xd6-\xf8"}
"""Steps between a letter and a digit."""
_CROSSES = {kind: re.compile(b"[%b]" % steps) for kind, steps in _CROSSING.items()}
_OF_DIGITS = {"xor": rb"\x00-\x0f", "added": rb"\x00-\x09\xf7-\xff"}
_STEPS_IN_A_ROW = ((1, 16), (2, 15), (4, 11))
"""Bytes of a word, and how many steps of a text still stand in a row when words are swapped."""
_RUNS = {
    (kind, least): re.compile(b"[%b]{%d,}" % (_BETWEEN[kind], least))
    for kind, least in (("xor", 11), ("xor", 16), ("added", 16))
}
_SIX_EQUAL = re.compile(r"(.)\1{5}")
_EQUAL_BYTES = re.compile(rb"\x00{9,}")
_WINDOW = {
    kind: re.compile(
        b"(?=.{13}[%b]{3})(?=[%b]{0,12}[%b])(?=[%b]{13})"
        % (_OF_DIGITS[kind], _BETWEEN[kind], _CROSSING[kind], _BETWEEN[kind]),
        re.DOTALL,
    )
    for kind in _BETWEEN
}


def _keys_by_byte(kind: str, codes: bytes) -> tuple[int, ...]:
    """For each stored byte the keys, as bits, under which it is one of these characters."""
    keys = [0] * 256
    for code in codes:
        for key in range(1, 256):
            # All bits changed has a name of its own, and so has adding 0x80.
            if (kind == "xor" and key == 0xFF) or (kind == "added" and key == 0x80):
                continue
            keys[code ^ key if kind == "xor" else (code + key) % 256] |= 1 << key
    return tuple(keys)


_KEYS = {kind: _keys_by_byte(kind, VIN_CODES) for kind in _BETWEEN}
_DIGIT_KEYS = {kind: _keys_by_byte(kind, b"0123456789") for kind in _BETWEEN}


def searches_under_key(segment: Segment) -> Iterator[Iterator[VinCandidate]]:
    """For ``added``, ``xor`` and each of its pairs: every candidate of one segment."""
    whole = View(segment)
    added = [(lo, end) for lo, end, _ in _regions("added", 16, whole.added_steps)]
    yield _in_order("added", (), Parts(whole, added, apart=_APART))
    regions = tuple(_regions("xor", 11, whole.xor_steps))
    for unit, least in _STEPS_IN_A_ROW:
        order = (Step(f"swapped-{8 * unit}"),) if unit > 1 else ()
        places = [(lo, end) for lo, end, length in regions if length >= least]
        parts = Parts(whole, places, apart=_APART * unit)
        yield _in_order("xor", order, parts, unit=unit)
    for phase in range(2):
        view = View(segment, stride=2, phase=phase)
        spaced = [(lo, end) for lo, end, _ in _regions("xor", 16, view.xor_steps)]
        yield _in_order("xor", (Step("every-2"),), Parts(view, spaced, apart=_APART))


def _regions(kind: str, least: int, steps: bytes) -> Iterator[tuple[int, int, int]]:
    """(first, end, length of the run of steps) of the bytes worth a look.

    The run must have `least` steps and hold one between a letter and a digit: in any order
    of the words it covers characters 4 to 14 at least, and a text that is accepted has a
    letter and a digit there. Long runs of equal bytes are cut out.
    """
    crossing = _CROSSES[kind]
    for match in _RUNS[kind, least].finditer(steps):
        if not crossing.search(steps, match.start(), match.end()):
            continue
        first, end = max(0, match.start() - _MARGIN), min(len(steps), match.end() + _MARGIN)
        for equal in _EQUAL_BYTES.finditer(steps, first, end):
            if equal.start() + 8 - first >= VIN_LENGTH - 1:
                yield first, equal.start() + 9, len(match[0])
            first = max(first, equal.end() - 8)
        if end - first >= VIN_LENGTH - 1:
            yield first, end + 1, len(match[0])


def _in_order(
    kind: str, order: tuple[Step, ...], parts: Parts, *, unit: int = 1
) -> Iterator[VinCandidate]:
    for phase in range(unit):
        view = View(parts.joined, unit=unit, phase=phase)
        steps = view.xor_steps if kind == "xor" else view.added_steps
        for match in _WINDOW[kind].finditer(steps):
            place = match.start()
            stored = view.data[place : place + VIN_LENGTH]
            for key in _find_keys(kind, stored):
                undoing = undoing_table(Step(kind, key))
                text = stored.translate(undoing).decode("ascii")
                shape = None if _is_monotonous(text) else find_vin_shape(text)
                if shape is None:
                    continue
                lo, hi = parts.words_around(view.address(place), unit, phase)
                if place < lo or place + VIN_LENGTH > hi:
                    continue
                before, behind = _neighbours(_KEYS[kind], key, view.data[lo:hi], place - lo)
                offsets = (view.address(place + index) for index in range(VIN_LENGTH))
                yield VinCandidate(
                    text=text,
                    form=StoredForm((*order, Step(kind, key))),
                    trace=make_trace((parts.address(offset), 0xFF) for offset in offsets),
                    shape=shape,
                    run=before + VIN_LENGTH + len(behind),
                    goes_on=behind[:1].translate(undoing).isdigit(),
                )


def _is_monotonous(text: str) -> bool:
    """Whether a text is more monotonous than a VIN: some key makes filler and tables fit.

    Of the 9,895 VINs that `memtool.core.identity.vin_shape` names none has more than five equal
    characters in a row, a character more than seven times or fewer than four letters.
    """
    return (
        sum(map(str.isalpha, text)) < 4
        or max(map(text.count, set(text))) > 7
        or _SIX_EQUAL.search(text) is not None
    )


def _find_keys(kind: str, stored: bytes) -> Iterator[int]:
    """The keys under which all bytes are of the alphabet, and the last four digits."""
    left = -1
    for keys, part in ((_DIGIT_KEYS[kind], stored[-4:]), (_KEYS[kind], stored[:-4])):
        for byte in part:
            left &= keys[byte]
            if not left:
                return
    while left:
        lowest = left & -left
        yield lowest.bit_length() - 1
        left ^= lowest


def _neighbours(keys: tuple[int, ...], key: int, data: bytes, place: int) -> tuple[int, bytes]:
    """How many bytes before a text fit the key as well, and which behind it.

    None are counted where filler begins, four equal bytes, and no more than matter.
    """
    first, end = max(0, place - NEARLY_EXACT), place + VIN_LENGTH
    before, behind = data[first:place][::-1], data[end : end + NEARLY_EXACT]
    fitting = [
        next((n for n, byte in enumerate(side) if not keys[byte] >> key & 1), len(side))
        for side in (before, behind)
    ]
    counts = [
        0 if len(side) > 1 and len(set(side[:4])) == 1 else count
        for side, count in zip((before, behind), fitting, strict=True)
    ]
    return counts[0], behind[: counts[1]]
