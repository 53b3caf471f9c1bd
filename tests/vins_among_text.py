"""VINs made at random and put among other text, with what the standards allow of each place.

Never imports memtool. Sources: ISO 3779 (alphabet, four digits at the end), ISO 3780 with the
ranges of two letters that both public lists in `memtool.core.texts.vin_regions` name, 49 CFR
565.15 (check digit, model year). China's GB 16735 asks for the check digit as well: from memory.
Which texts stand beside a VIN in memories is common practice, no source.
"""

from __future__ import annotations

import random
import re
from dataclasses import dataclass

from tests.stored_texts import Planted, plant
from tests.vin_reference import ALPHABET, LETTERS, digit_of, with_digit

CHECKED_STARTS = ("1F", "1G", "1H", "1J", "2F", "2H", "3F", "3V", "4T", "5N", "5U")
OTHER_STARTS = (
    *("WA", "WB", "WD", "WV", "WP", "WM", "VF", "VS", "VX", "SA", "SB", "TM", "TS", "ZA", "ZF"),
    *("YV", "YS", "YB", "UU", "XL", "XT", "JH", "JN", "JT", "KM", "MA", "NM", "TR", "AH", "LS"),
)
YEARS = "ABCDEFGHJKLMNPRSTVWXY123456789"
CONTEXTS = (
    *("alone", "digits before", "digits after", "letters before", "letters after"),
    *("part number before", "part number after", "text around", "another VIN before"),
)
_RUN = re.compile(f"[{ALPHABET}]+")


def make_vin(rng: random.Random, *, checked: bool) -> str:
    """A VIN of a region that asks for the check digit, or of one that does not."""
    filler = "ZZZ" if not checked and rng.random() < 0.3 else "".join(rng.choices(ALPHABET, k=3))
    text = rng.choice(CHECKED_STARTS if checked else OTHER_STARTS)
    text += rng.choice(LETTERS) + filler + "".join(rng.choices(ALPHABET, k=2))
    text += rng.choice("0123456789Z" if not checked else "0") + rng.choice(YEARS)
    text += rng.choice(ALPHABET) + f"{rng.randrange(1_000_000):06d}"
    return with_digit(text) if checked or text[0] == "L" else text


def make_part_number(rng: random.Random) -> str:
    """As makers of modules print them: groups of digits with a letter or two."""
    digits = "".join(rng.choices("0123456789", k=9))
    letter = rng.choice(LETTERS)
    return rng.choice(
        (
            f"{digits[0]}{letter}{digits[1]}{digits[2:8]}{rng.choice(LETTERS)}",
            f"{letter}{digits[:3]}{rng.choice(LETTERS)}{digits[3:8]}",
            f"{digits[:8]}",
            f"{letter}{digits}",
        )
    )


def surround(vin: str, context: str, rng: random.Random) -> tuple[str, str]:
    """What stands before and behind the VIN, as text without a break."""
    digits = "".join(rng.choices("0123456789", k=rng.randint(1, 8)))
    letters = "".join(rng.choices(LETTERS, k=rng.randint(1, 8)))
    if context == "text around":
        return rng.choice(("VIN:", "CHASSIS ", "S/N=")), rng.choice((" REV A", ";", "\r\n", "/01"))
    beside = {
        "digits": digits,
        "letters": letters,
        "part number": make_part_number(rng),
        "another VIN": make_vin(rng, checked=rng.random() < 0.5),
    }
    kind, _, side = context.rpartition(" ")
    if side == "before":
        return beside[kind], ""
    return ("", beside[kind]) if side == "after" else ("", "")


def is_allowed(text: str) -> bool:
    """Whether the standards allow a text of seventeen characters as a VIN."""
    if len(text) != 17 or not _RUN.fullmatch(text) or not text[13:].isdigit() or text[0] == "0":
        return False
    if text[0] in "123457L":
        return digit_of(text) == text[8]
    return True


@dataclass(frozen=True)
class Placed:
    """An image with one VIN among other text."""

    planted: Planted
    vin: str
    before: str
    after: str
    bordered: bool
    """Neither side has a letter or digit directly beside the VIN."""
    windows: frozenset[str]
    """Every text of seventeen characters that the standards allow in the run of this one, in
    the bytes as they stand, and where each byte was changed, under another such change."""


def place(filler: bytes, vin: str, context: str, form: str, rng: random.Random) -> Placed:
    """Put it into the filler in the form, with what stands beside it."""
    before, after = surround(vin, context, rng)
    if set(filler) not in ({0x00}, {0xFF}):
        # Whatever lies around it by accident, a sign of its own ends the text.
        before, after = rng.choice(" -./") + before, after + rng.choice(" -./")
    planted = plant(filler, before + vin + after, form, rng)
    run = next(run for run in _RUN.findall(before + vin + after) if vin in run)
    windows = _windows_of(run)
    for match in _RUN.finditer(planted.image.decode("latin-1")):
        if any(match.start() <= offset < match.end() for offset, _ in planted.cells):
            windows |= _windows_of(match[0])
    changed = _read_otherwise(vin, form) - {vin}
    return Placed(
        planted=planted,
        vin=vin,
        before=before,
        after=after,
        bordered=run == vin and not changed,
        windows=frozenset(windows | changed),
    )


def _windows_of(run: str) -> set[str]:
    windows = {run[start : start + 17] for start in range(len(run) - 16)}
    return {text for text in windows if is_allowed(text)}


def _read_otherwise(vin: str, form: str) -> set[str]:
    """What the bytes are under another change of every byte that leaves them a VIN.

    Inverted and negated bytes differ by one; under keys any key may be the right one.
    """
    if "xor" in form or form == "added":
        changes = [vin.translate({c: c ^ key for c in range(128)}) for key in range(128)]
        changes += [vin.translate({c: (c + key) % 256 for c in range(128)}) for key in range(256)]
        return {text for text in changes if is_allowed(text)}
    step = {"inverted": 1, "negated": -1}.get(form.split("+")[-1], 0)
    text = vin.translate({c: c + step for c in range(128)})
    return {text} if is_allowed(text) else set()
