"""How a text lies in memory: the closed list of stored forms, and how each is undone.

A form's name joins its steps with ``+`` in the order in which a reader undoes them:
``swapped-16+inverted`` is undone by swapping the bytes of each word, then inverting.

| step                           | what was done to the text                                |
|--------------------------------|----------------------------------------------------------|
| ``plain``                      | nothing                                                  |
| ``lower-case``                 | letters are small                                        |
| ``swapped-16``, ``swapped-32`` | the bytes of each word of 2 or 4 stand in reversed order |
| ``reversed``                   | last character first                                     |
| ``every-2``, ``every-4``       | a character in every 2nd or 4th byte, others between     |
| ``utf-16-be``, ``utf-16-le``   | two bytes a character, high or low byte first            |
| ``inverted``                   | every bit inverted                                       |
| ``nibbles-swapped``            | the two halves of each byte exchanged                    |
| ``bits-reversed``              | the bits of each byte in reversed order                  |
| ``xor-5a``                     | each byte combined with the key by exclusive or          |
| ``added-03``                   | the key added to each byte, modulo 256                   |
| ``packed-7-msb@3``             | seven bits a character, from bit 3 on, high bit first    |
| ``packed-6-lsb@0``             | six bits a character (its code less 0x20), low bit first |
| ``split``                      | in two or three pieces, foreign bytes between            |

The bit offset of a packed text is 0 to 7, from its first byte on. In a layout's field of
swapped words it may be 15 or 31 at most, from the first byte of the field on, since the text
may begin in a later byte of the first word.

Source of the low-bit-first packing of seven bits: 3GPP TS 23.038, 6.1.2.1. The others
are common practice, no source.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

ORDER_STEPS = ("swapped-16", "swapped-32", "reversed")
SPACING_STEPS = ("every-2", "every-4", "utf-16-be", "utf-16-le")
BYTE_STEPS = ("lower-case", "inverted", "nibbles-swapped", "bits-reversed")

PAIRS: frozenset[tuple[str, str]] = frozenset(
    {
        *(
            (swapped, second)
            for swapped in ("swapped-16", "swapped-32")
            for second in (
                "reversed",
                "inverted",
                "nibbles-swapped",
                "bits-reversed",
                "xor",
                "packed-7-msb",
                "packed-7-lsb",
            )
        ),
        ("every-2", "inverted"),
        ("every-2", "xor"),
        ("reversed", "inverted"),
    }
)
"""The pairs that are searched and may be named, each in the order of undoing."""

_STEP = re.compile(
    r"(?P<fixed>plain|lower-case|swapped-16|swapped-32|reversed|every-2|every-4|utf-16-be"
    r"|utf-16-le|inverted|nibbles-swapped|bits-reversed|split)"
    r"|(?P<keyed>xor|added)-(?P<key>[0-9a-f]{2})"
    r"|(?P<packed>packed-[76]-[ml]sb)@(?P<bit>[0-9]|[12][0-9]|3[01])",
    re.ASCII,
)
NO_CHARACTER = 0xFF
"""What `undo` gives for a UTF-16 unit above 0xFF: no text has it."""


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that a reader undoes."""

    kind: str
    """The name without key or bit offset: ``xor``, ``packed-7-msb``."""
    number: int = 0
    """The key of ``xor`` and ``added``, the bit offset of a packed step; otherwise 0."""

    @property
    def name(self) -> str:
        """As the closed list writes it: ``xor-5a``, ``packed-7-msb@3``."""
        if self.kind in ("xor", "added"):
            return f"{self.kind}-{self.number:02x}"
        if self.kind.startswith("packed"):
            return f"{self.kind}@{self.number}"
        return self.kind


@dataclass(frozen=True, slots=True)
class StoredForm:
    """One entry of the closed list, or one of the pairs. Make it with `parse_stored_form`."""

    steps: tuple[Step, ...]
    """One or two, in the order of undoing."""

    @property
    def name(self) -> str:
        """As reports and layouts write it."""
        return "+".join(step.name for step in self.steps)

    @property
    def is_packed(self) -> bool:
        """Whether characters do not begin at byte boundaries."""
        return self.steps[-1].kind.startswith("packed")

    @property
    def bits(self) -> int:
        """Bits of memory that carry one character: 8, of UTF-16 16, of packed forms 7 or 6."""
        last = self.steps[-1].kind
        if last.startswith("packed"):
            return int(last[7])
        return 16 if last.startswith("utf-16") else 8

    def undo(self, raw: bytes) -> bytes:
        """The text bytes that a field with the bytes `raw` holds.

        Words are counted from the field's first byte; a last word that is not whole is
        swapped within itself. ``every-2`` takes the first byte, the third and so on. A
        packed field gives as many characters as fit whole.

        Raises:
            ValueError: the form is ``split``, which does not say where its pieces lie.
        """
        for step in self.steps:
            raw = _undo_step(step, raw)
        return raw

    def _order(self, length: int) -> list[int]:
        """The field's bytes in the order in which the text is read."""
        order = list(range(length))
        for step in self.steps:
            if step.kind.startswith("swapped"):
                unit = int(step.kind[-2:]) // 8
                words = [order[start : start + unit] for start in range(0, length, unit)]
                order = [place for word in words for place in reversed(word)]
            elif step.kind.startswith("every"):
                order = order[:: int(step.kind[-1])]
            elif step.kind == "reversed":
                order.reverse()
        return order

    def occupied_mask(self, length: int, *, characters: int | None = None) -> bytes:
        """Which bits of a field of `length` bytes carry its text: one mask for each byte.

        0xFF for a byte that is all text, 0x00 for a foreign one; in packed fields the bits
        before the first and behind the last whole character are foreign.

        Args:
            length: Of the field, in bytes.
            characters: Only the first so many belong to the text; None: all that fit.

        Raises:
            ValueError: the form is ``split``.
        """
        last = self.steps[-1]
        if last.kind == "split":
            raise ValueError("'split' does not say where its pieces lie")
        masks = bytearray(b"\xff" * length)
        if characters is not None and not self.is_packed:
            masks = bytearray(length)
            for place in self._order(length)[: characters * self.bits // 8]:
                masks[place] = 0xFF
            return bytes(masks)
        if last.kind.startswith("packed"):
            width = self.bits
            count = max(0, (8 * length - last.number) // width)
            count = count if characters is None else min(count, characters)
            bits = ((1 << width * count) - 1) << last.number
            masks = bytearray(bits.to_bytes(length + 1, "little")[:length])
            if last.kind.endswith("msb"):
                masks = bytearray(bytes(masks).translate(undoing_table(Step("bits-reversed"))))
        for step in reversed(self.steps):
            if step.kind.startswith("swapped"):
                masks = bytearray(swap_words(bytes(masks), int(step.kind[-2:]) // 8))
            elif step.kind.startswith("every"):
                stride = int(step.kind[-1])
                masks = bytearray(0xFF if index % stride == 0 else 0 for index in range(length))
        return bytes(masks)


def parse_stored_form(name: str) -> StoredForm:
    """Read a form's name.

    Raises:
        ValueError: not in the closed list, or a pair that is not among `PAIRS`.
    """
    return _parse(name)


@lru_cache(maxsize=1024)
def _parse(name: str) -> StoredForm:
    steps = tuple(_parse_step(part, name) for part in name.split("+"))
    kinds = tuple(step.kind for step in steps)
    if len(steps) == 1 or kinds in PAIRS:
        # A text in swapped words may begin in a later byte of the field's first word.
        word = int(kinds[0][-2:]) if kinds[0].startswith("swapped") else 8
        if kinds[-1].startswith("packed") and steps[-1].number >= word:
            raise ValueError(f"'{name}' is not a stored form: its bit offset is 0 to {word - 1}")
        return StoredForm(steps)
    if kinds[::-1] in PAIRS:
        other = "+".join(step.name for step in reversed(steps))
        raise ValueError(f"'{name}' is not a stored form: the order of undoing is '{other}'")
    raise ValueError(f"'{name}' is not a stored form: these steps are not used together")


def _parse_step(part: str, name: str) -> Step:
    found = _STEP.fullmatch(part)
    if found is None:
        raise ValueError(f"'{name}' is not a stored form: see docs/stored-forms.md for the list")
    if found["keyed"]:
        key = int(found["key"], 16)
        if key == 0:
            raise ValueError(f"'{name}' is not a stored form: with the key 00 it is 'plain'")
        return Step(found["keyed"], key)
    if found["packed"]:
        return Step(found["packed"], int(found["bit"]))
    return Step(found["fixed"])


def _undo_step(step: Step, raw: bytes) -> bytes:
    kind = step.kind
    if kind == "plain":
        return raw
    if kind.startswith("swapped"):
        return swap_words(raw, int(kind[-2:]) // 8)
    if kind == "reversed":
        return raw[::-1]
    if kind.startswith("every"):
        return raw[:: int(kind[-1])]
    if kind.startswith("utf-16"):
        high = 0 if kind.endswith("be") else 1
        units = zip(raw[high::2], raw[1 - high :: 2], strict=False)
        return bytes(low if top == 0 else NO_CHARACTER for top, low in units)
    if kind.startswith("packed"):
        return unpack(raw, width=int(kind[7]), high_first=kind.endswith("msb"), bit=step.number)
    if kind == "split":
        raise ValueError("'split' does not say where its pieces lie: describe each piece by itself")
    return raw.translate(undoing_table(step))


def swap_words(raw: bytes, unit: int) -> bytes:
    """Each word of `unit` bytes reversed, counted from the first byte, a short last one too."""
    whole = len(raw) - len(raw) % unit
    out = bytearray(raw)
    for place in range(unit):
        out[place:whole:unit] = raw[unit - 1 - place : whole : unit]
    out[whole:] = raw[whole:][::-1]
    return bytes(out)


def unpack(raw: bytes, *, width: int, high_first: bool, bit: int) -> bytes:
    """The characters of `width` bits each that fit whole into `raw` from bit offset `bit` on.

    `bit` counts from the highest bit of the first byte, of low-first packing from the
    lowest. Characters of six bits come back with 0x20 added.
    """
    raw, bit = raw[bit // 8 :], bit % 8
    mask, added = (1 << width) - 1, 0x20 if width == 6 else 0
    out = bytearray()
    # Eight characters fill `width` bytes, so that every group begins at the same bit.
    for first in range(0, len(raw), width):
        group = raw[first : first + width + 1]
        stream = int.from_bytes(group, "big" if high_first else "little")
        free = 8 * len(group) - bit
        for index in range(min(8, free // width)):
            shift = free - width * (index + 1) if high_first else bit + width * index
            out.append((stream >> shift & mask) + added)
    return bytes(out)


@lru_cache(maxsize=1024)
def undoing_table(step: Step) -> bytes:
    """For ``bytes.translate``: what each stored byte stands for under a step on single bytes.

    Raises:
        ValueError: the step does not work on single bytes.
    """
    if step.kind == "plain":
        return bytes(range(256))
    if step.kind == "lower-case":
        return bytes(range(256)).upper()
    if step.kind == "inverted":
        return bytes(255 - value for value in range(256))
    if step.kind == "nibbles-swapped":
        return bytes(value >> 4 | value << 4 & 0xF0 for value in range(256))
    if step.kind == "bits-reversed":
        return bytes(int(f"{value:08b}"[::-1], 2) for value in range(256))
    if step.kind == "xor":
        return bytes(value ^ step.number for value in range(256))
    if step.kind == "added":
        return bytes((value - step.number) % 256 for value in range(256))
    raise ValueError(f"{step.name} does not work on single bytes")
