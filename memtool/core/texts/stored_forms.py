"""Names of stored forms, and how a field that lies in one is undone.

A form's name joins its steps with ``+`` in the order in which a reader undoes them:
``swapped-16+inverted`` is undone by swapping the bytes of each word, then inverting. A key
and a bit offset belong to the name: ``xor-5a``, ``packed-7-msb@3``. Which forms there are,
and which go in pairs, says `memtool.core.texts.form_table`.

The bit offset of a packed text is 0 to 7, from its first byte on. In a layout's field of
swapped words it may be 15 or 31 at most, from the first byte of the field on, since the text
may begin in a later byte of the first word.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from memtool.core.texts.form_table import BY_NAME, PAIRS, Family, Form, forms_of
from memtool.core.texts.key_steps import LONG
from memtool.lazy import np


def _names(*families: Family) -> str:
    return "|".join(re.escape(form.name) for form in forms_of(*families))


_NUMBERED = (Family.KEYED, Family.PACKED)
_STEP = re.compile(
    rf"(?P<fixed>{_names(*(family for family in Family if family not in _NUMBERED))})"
    rf"|(?P<keyed>{_names(Family.KEYED)})-(?P<key>[0-9a-f]{{2}})"
    rf"|(?P<packed>{_names(Family.PACKED)})@(?P<bit>[0-9]|[12][0-9]|3[01])",
    re.ASCII,
)
NO_CHARACTER = 0xFF
"""What undoing gives for bytes that stand for no character: no text has it."""


class Step(NamedTuple):
    """One thing that a reader undoes."""

    kind: str
    """The name without key or bit offset: ``xor``, ``packed-7-msb``."""
    number: int = 0
    """The key of ``xor`` and ``added``, the bit offset of a packed step; otherwise 0."""

    @property
    def form(self) -> Form:
        """Its row in the table."""
        return BY_NAME[self.kind]

    @property
    def name(self) -> str:
        """As the closed list writes it: ``xor-5a``, ``packed-7-msb@3``."""
        if self.form.family is Family.KEYED:
            return f"{self.kind}-{self.number:02x}"
        if self.form.family is Family.PACKED:
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
    def kinds(self) -> tuple[str, ...]:
        """Names of the steps without key and bit offset."""
        return tuple(step.kind for step in self.steps)

    @property
    def first(self) -> Form:
        """The row of what is undone first."""
        return self.steps[0].form

    @property
    def last(self) -> Form:
        """The row of what is undone last: it says how a character lies in bytes."""
        return self.steps[-1].form

    @property
    def inner(self) -> Step:
        """What was done to each character, the order of the characters left aside."""
        last = self.steps[-1]
        return Step("plain") if last.form.reorders and last.form.family is not Family.WIDE else last

    @property
    def is_packed(self) -> bool:
        """Whether characters do not begin at byte boundaries."""
        return self.last.family is Family.PACKED

    @property
    def bits(self) -> int:
        """Bits of memory that carry one character: 8, of UTF-16 16, of packed forms 7 or 6."""
        return self.last.bits

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
            form = step.form
            if form.family is Family.WORDS:
                starts = range(0, length, form.unit)
                words = [order[start : start + form.unit] for start in starts]
                order = [place for word in words for place in reversed(word)]
            elif form.family is Family.SPACED:
                order = order[:: form.stride]
            elif form.family is Family.BACKWARDS:
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
        if self.last.family is Family.PIECES:
            raise ValueError(f"'{self.name}' does not say where its pieces lie")
        masks = b"\xff" * length
        if self.is_packed:
            masks = _packed_mask(self.steps[-1], length, characters)
        elif characters is not None:
            carried = set(self._order(length)[: characters * self.bits // 8])
            return bytes(0xFF if place in carried else 0 for place in range(length))
        for step in reversed(self.steps):
            if step.form.family is Family.WORDS:
                masks = swap_words(masks, step.form.unit)
            elif step.form.family is Family.SPACED:
                masks = bytes(0 if index % step.form.stride else 0xFF for index in range(length))
        return masks


def _packed_mask(step: Step, length: int, characters: int | None) -> bytes:
    width = step.form.bits
    count = max(0, (8 * length - step.number) // width)
    count = count if characters is None else min(count, characters)
    bits = ((1 << width * count) - 1) << step.number
    masks = bits.to_bytes(length + 1, "little")[:length]
    # Counted from the high bit it is the same picture with the bits of each byte reversed.
    return masks.translate(undoing_table(Step("bits-reversed"))) if step.form.high_first else masks


def parse_stored_form(name: str) -> StoredForm:
    """Read a form's name.

    Raises:
        ValueError: not in the closed list, or a pair that is not searched.
    """
    return _parse(name)


_PAIRS = frozenset((first.name, second.name) for first, second in PAIRS)


@lru_cache(maxsize=1024)
def _parse(name: str) -> StoredForm:
    steps = tuple(_parse_step(part, name) for part in name.split("+"))
    form = StoredForm(steps)
    if len(steps) == 1 or form.kinds in _PAIRS:
        # A text in swapped words may begin in a later byte of the field's first word.
        word = 8 * form.first.unit
        if form.is_packed and steps[-1].number >= word:
            raise ValueError(f"'{name}' is not a stored form: its bit offset is 0 to {word - 1}")
        return form
    if form.kinds[::-1] in _PAIRS:
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
    form = step.form
    match form.family:
        case Family.BYTES | Family.KEYED:
            return raw.translate(undoing_table(step))
        case Family.WORDS:
            return swap_words(raw, form.unit)
        case Family.BACKWARDS:
            return raw[::-1]
        case Family.SPACED:
            return raw[:: form.stride]
        case Family.WIDE:
            high = 0 if form.high_first else 1
            units = zip(raw[high::2], raw[1 - high :: 2], strict=False)
            return bytes(low if top == 0 else NO_CHARACTER for top, low in units)
        case Family.PACKED:
            return unpack(raw, form, bit=step.number)
        case Family.PIECES:
            raise ValueError(
                f"'{form.name}' does not say where its pieces lie: describe each piece by itself"
            )


def swap_words(raw: bytes, unit: int) -> bytes:
    """Each word of `unit` bytes reversed, counted from the first byte, a short last one too."""
    whole = len(raw) - len(raw) % unit
    if len(raw) >= LONG and unit in (2, 4, 8):
        words = np.frombuffer(raw, f"u{unit}", whole // unit)
        return words.byteswap().tobytes() + raw[whole:][::-1]
    out = bytearray(raw)
    for place in range(unit):
        out[place:whole:unit] = raw[unit - 1 - place : whole : unit]
    out[whole:] = raw[whole:][::-1]
    return bytes(out)


def unpack(raw: bytes, form: Form, *, bit: int) -> bytes:
    """The characters that fit whole into `raw` from bit offset `bit` on.

    `bit` counts from the highest bit of the first byte, of low-first packing from the
    lowest. Characters of six bits come back with 0x20 added.
    """
    width, high_first = form.bits, form.high_first
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
    read = step.form.read
    if read is None:
        raise ValueError(f"{step.name} does not work on single bytes")
    return bytes(read(value, step.number) for value in range(256))


@lru_cache(maxsize=1024)
def storing_table(step: Step) -> bytes:
    """For ``bytes.translate``: the stored byte of each character under a step on single bytes.

    Raises:
        ValueError: the step does not work on single bytes.
    """
    store = step.form.store
    if store is None:
        raise ValueError(f"{step.name} does not work on single bytes")
    return bytes(store(value, step.number) for value in range(256))
