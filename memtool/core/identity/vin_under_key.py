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
from memtool.core.identity.stored_forms import Step, StoredForm
from memtool.core.identity.trace import make_trace
from memtool.core.identity.view import View
from memtool.core.identity.vin import VIN_LENGTH
from memtool.core.identity.vin_candidates import NEARLY_EXACT, VinCandidate
from memtool.core.identity.vin_shape import find_vin_shape
from memtool.core.image import Segment

_MARGIN = 8
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
        b"(?=[%b]{0,12}[%b])(?=[%b]{13}[%b]{3})"
        % (_BETWEEN[kind], _CROSSING[kind], _BETWEEN[kind], _OF_DIGITS[kind])
    )
    for kind in _BETWEEN
}


def _keys_by_byte(kind: str) -> tuple[int, ...]:
    """For each stored byte the keys, as bits, under which it is a character of the alphabet."""
    keys = [0] * 256
    for code in VIN_CODES:
        for key in range(1, 256):
            # All bits changed has a name of its own, and so has adding 0x80.
            if (kind == "xor" and key == 0xFF) or (kind == "added" and key == 0x80):
                continue
            keys[code ^ key if kind == "xor" else (code + key) % 256] |= 1 << key
    return tuple(keys)


_KEYS = {kind: _keys_by_byte(kind) for kind in _BETWEEN}


def find_under_key(segment: Segment) -> Iterator[VinCandidate]:
    """Every candidate of one segment under ``xor`` and ``added``, pairs included."""
    whole = View(segment)
    for lo, hi, _ in _regions("added", 16, whole.added_steps):
        yield from _in_view("added", (), View(_part(segment, lo, hi)))
    for lo, hi, length in _regions("xor", 11, whole.xor_steps):
        part = _part(segment, lo, hi)
        for unit, least in _STEPS_IN_A_ROW:
            order = (Step(f"swapped-{8 * unit}"),) if unit > 1 else ()
            for phase in range(unit) if length >= least else ():
                yield from _in_view("xor", order, View(part, unit=unit, phase=phase))
    for phase in range(2):
        view = View(segment, stride=2, phase=phase)
        for lo, hi, _ in _regions("xor", 16, view.xor_steps):
            first = segment.start + phase + 2 * lo
            spaced = Segment(first, segment.data[phase + 2 * lo : phase + 2 * hi + 1])
            yield from _in_view("xor", (Step("every-2"),), View(spaced, stride=2))


def _part(segment: Segment, lo: int, hi: int) -> Segment:
    return Segment(segment.start + lo, segment.data[lo : hi + 1])


def _regions(kind: str, least: int, steps: bytes) -> Iterator[tuple[int, int, int]]:
    """(first, end, length of the run) of the steps worth a look.

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
                yield first, equal.start() + 8, len(match[0])
            first = max(first, equal.end() - 8)
        if end - first >= VIN_LENGTH - 1:
            yield first, end, len(match[0])


def _in_view(kind: str, order: tuple[Step, ...], view: View) -> Iterator[VinCandidate]:
    steps = view.xor_steps if kind == "xor" else view.added_steps
    for match in _WINDOW[kind].finditer(steps):
        place = match.start()
        stored = view.data[place : place + VIN_LENGTH]
        for key in _find_keys(_KEYS[kind], stored):
            text = _undo(kind, key, stored).decode("ascii")
            shape = find_vin_shape(text)
            if shape is None or not shape.serial or _is_monotonous(text):
                continue
            before, behind = _neighbours(_KEYS[kind], key, view.data, place)
            cells = ((view.address(place + index), 0xFF) for index in range(VIN_LENGTH))
            yield VinCandidate(
                text=text,
                form=StoredForm((*order, Step(kind, key))),
                trace=make_trace(cells),
                shape=shape,
                run=before + VIN_LENGTH + len(behind),
                goes_on=_undo(kind, key, behind[:1]).isdigit(),
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


def _find_keys(keys: tuple[int, ...], stored: bytes) -> Iterator[int]:
    left = -1
    for byte in stored:
        left &= keys[byte]
        if not left:
            return
    while left:
        lowest = left & -left
        yield lowest.bit_length() - 1
        left ^= lowest


def _undo(kind: str, key: int, stored: bytes) -> bytes:
    if kind == "xor":
        return bytes(byte ^ key for byte in stored)
    return bytes((byte - key) % 256 for byte in stored)


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
