"""Puts texts into images in every stored form, bit by bit and slowly, without memtool.

The forms are those of docs/stored-forms.md. Whatever is written is marked in a second array, so
that a test knows which bits of which bytes belong to the text.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

ENCODERS: dict[str, Callable[[int], int]] = {
    "inverted": lambda code: 255 - code,
    "negated": lambda code: (256 - code) % 256,
    "nibbles-swapped": lambda code: code % 16 * 16 + code // 16,
    "bits-reversed": lambda code: sum((code >> bit & 1) << (7 - bit) for bit in range(8)),
}
"""The forms that change every byte by itself, always alike: from a character to its byte."""
PACKED_FORMS = ("packed-7-msb", "packed-7-lsb", "packed-6-msb", "packed-6-lsb")
SINGLE_FORMS = (
    *("plain", "lower-case", "swapped-16", "swapped-32", "reversed", "every-2", "every-4"),
    *("utf-16-be", "utf-16-le", *ENCODERS, "xor", "added"),
    *PACKED_FORMS,
    "split",
)
PAIRED_FORMS = (
    *(
        f"{swapped}+{inner}"
        for swapped in ("swapped-16", "swapped-32")
        for inner in (
            *("reversed", *ENCODERS, "xor"),
            *("packed-7-msb", "packed-7-lsb"),
        )
    ),
    *("reversed+inverted", "every-2+inverted", "every-2+xor"),
)
"""In the order in which a form wins over another in the same bytes, single ones first."""
ALL_FORMS = SINGLE_FORMS + PAIRED_FORMS


@dataclass(frozen=True)
class Planted:
    """An image into which one text was put."""

    image: bytes
    name: str
    """The full name of the form, key or bit offset included."""
    cells: tuple[tuple[int, int], ...]
    """(offset, bits that belong to the text), by offset."""

    @property
    def start(self) -> int:
        return self.cells[0][0]

    @property
    def end(self) -> int:
        return self.cells[-1][0] + 1


def plant(filler: bytes, text: str, form: str, rng: random.Random) -> Planted:
    """Put `text` somewhere into a copy of `filler`, at a random offset, phase, key and bit."""
    data, marks = list(filler), [0] * len(filler)
    first, _, second = form.partition("+")
    unit = {"swapped-16": 2, "swapped-32": 4}.get(first, 1)
    phase = rng.randrange(unit)
    inner = second if unit > 1 else form
    # The words are swapped, the text is written in order, the words are swapped again.
    _swap_all(data, unit, phase)
    _swap_all(marks, unit, phase)
    usable = range(phase, phase + (len(filler) - phase) // unit * unit)
    name = _write(data, marks, text, inner or "plain", rng, usable)
    _swap_all(data, unit, phase)
    _swap_all(marks, unit, phase)
    if unit > 1:
        name = first if name == "plain" else f"{first}+{name}"
    cells = tuple((offset, mark) for offset, mark in enumerate(marks) if mark)
    return Planted(bytes(data), name, cells)


def _swap_all(values: list[int], unit: int, phase: int) -> None:
    for start in range(phase, len(values) - unit + 1, unit):
        values[start : start + unit] = values[start : start + unit][::-1]


def _write(
    data: list[int], marks: list[int], text: str, form: str, rng: random.Random, usable: range
) -> str:
    """Write into `usable` offsets; gives the full name of the form."""
    if form.startswith("packed"):
        return _write_packed(data, marks, text, form, rng, usable)
    if form == "split":
        return _write_split(data, marks, text, rng, usable)
    steps = form.split("+")
    codes = [ord(character) for character in text]
    if "reversed" in steps:
        codes.reverse()
    names = []
    for step in steps:
        name, codes = _change(step, codes, rng)
        names.append(name)
    stride = next((int(step[-1]) for step in steps if step.startswith("every")), 1)
    room = len(usable) - stride * (len(codes) - 1) - 1
    start = usable.start + rng.randint(0, room)
    for index, code in enumerate(codes):
        data[start + stride * index] = code
        marks[start + stride * index] = 0xFF
    return "+".join(names)


def _change(step: str, codes: list[int], rng: random.Random) -> tuple[str, list[int]]:
    if step == "lower-case":
        return step, [ord(chr(code).lower()) for code in codes]
    if step in ENCODERS:
        return step, [ENCODERS[step](code) for code in codes]
    if step == "utf-16-be":
        return step, [byte for code in codes for byte in (0, code)]
    if step == "utf-16-le":
        return step, [byte for code in codes for byte in (code, 0)]
    if step == "xor":
        key = rng.randint(1, 254)
        return f"xor-{key:02x}", [code ^ key for code in codes]
    if step == "added":
        # A key that does to this text what an exclusive or does has the other name.
        keys = [
            key for key in range(1, 256) if len({code ^ (code + key) % 256 for code in codes}) > 1
        ]
        key = rng.choice(keys)
        return f"added-{key:02x}", [(code + key) % 256 for code in codes]
    return step, codes


def _write_packed(
    data: list[int], marks: list[int], text: str, form: str, rng: random.Random, usable: range
) -> str:
    width, low_first = int(form[7]), form.endswith("lsb")
    length = width * len(text)
    first = rng.randint(8 * usable.start, 8 * usable.stop - length)
    for number, character in enumerate(text):
        code = ord(character) - (0x20 if width == 6 else 0)
        for place in range(width):
            bit = code >> place & 1 if low_first else code >> (width - 1 - place) & 1
            position = first + width * number + place
            weight = 1 << position % 8 if low_first else 0x80 >> position % 8
            offset = position // 8
            data[offset] = data[offset] | weight if bit else data[offset] & ~weight & 0xFF
            marks[offset] |= weight
    return f"{form}@{first % 8}"


def _write_split(
    data: list[int], marks: list[int], text: str, rng: random.Random, usable: range
) -> str:
    pieces = rng.choice([2, 3])
    cuts = sorted(rng.sample(range(1, len(text)), pieces - 1))
    gaps = [rng.randint(1, 16) for _ in cuts]
    offset = rng.randint(usable.start, usable.stop - len(text) - sum(gaps))
    for number, character in enumerate(text):
        if number in cuts:
            offset += gaps[cuts.index(number)]
        data[offset] = ord(character)
        marks[offset] = 0xFF
        offset += 1
    return "split"
