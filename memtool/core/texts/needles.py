"""A known text as the bytes it would be in each stored form: what a search looks for.

A needle is a run of bytes with a mask each: zero bits of a mask are free, so that the
foreign bits of a packed text's first and last byte do not matter. Swapped words and spaced
characters are undone in a view of the image (see `memtool.core.texts.view`), the rest is done to
the needle, which is short; a long image's words are left as they are, and the needle is laid out
in them (see `memtool.core.texts.needle_search`). A packed form has eight needles: one for each bit
offset.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import lru_cache
from typing import Literal, NamedTuple

from memtool.core.texts.form_table import FORMS, PAIRS, Family, Form
from memtool.core.texts.stored_forms import Step, StoredForm, storing_table, swap_words

Masked = tuple[bytes, bytes]
"""Values and masks, equally long."""
_FEWEST_UNDER_A_KEY = 3
"""Different characters: with fewer, filler of two values would be every text."""


class Needle(NamedTuple):
    """A text in one form, at one bit offset."""

    form: StoredForm
    """A key of 0 stands for all 255 keys."""
    values: bytes
    """As they follow each other in the view; of keyed forms the text itself."""
    masks: bytes
    """As long as `values`. The first and the last are not 0."""
    unit: int = 1
    """The needle lies in views whose words of so many bytes are swapped back; 1: none."""
    stride: int = 1
    """The needle lies in views of every so-many-th byte."""
    alone: bool = False
    """Swapped as a field by itself, not as a part of swapped words."""

    @property
    def keyed(self) -> Form | None:
        """The row of the keyed form, where the needle stands for all of its keys."""
        last = self.form.last
        return last if last.family is Family.KEYED else None

    @property
    def core(self) -> tuple[int, int]:
        """(first, end) of the longest run of bytes that count whole."""
        return _longest_whole(self.masks)


def make_needles(text: bytes) -> Iterator[tuple[Needle, ...]]:
    """One tuple for each form or pair that is searched, single forms first.

    Left out: forms that leave this text as it is; keys where the text has fewer than three
    different characters, since any run of equal bytes would fit; six bits where a character
    has none; ``split``, which is no needle (see `memtool.core.texts.split_search`).

    Args:
        text: At least two bytes of ASCII.
    """
    stored = {form.name: tuple(_store(form, text)) for form in FORMS}
    for form in FORMS:
        if stored[form.name]:
            yield tuple(n for step, masked in stored[form.name] for n in _alone(step, masked))
    for first, second in PAIRS:
        if stored[second.name]:
            yield tuple(
                n for step, masked in stored[second.name] for n in _behind(first, step, masked)
            )


def pack(form: Form, text: bytes, bit: int) -> Masked:
    """`text` packed from bit offset `bit` on, and the bits it takes."""
    width, low_first = form.bits, not form.high_first
    taken = 0x20 if width == 6 else 0
    stream = 0
    for index, code in enumerate(text):
        place = index if low_first else len(text) - 1 - index
        stream |= (code - taken) << width * place
    used = width * len(text)
    size = (bit + used + 7) // 8
    # Free bits on the low side of the number: before the text if low bits come first, else behind
    # it.
    free = bit if low_first else 8 * size - bit - used
    order: Literal["little", "big"] = "little" if low_first else "big"
    full = (1 << used) - 1
    return (stream << free).to_bytes(size, order), (full << free).to_bytes(size, order)


def _whole(values: bytes) -> Masked:
    return values, b"\xff" * len(values)


def _store(form: Form, text: bytes) -> Iterator[tuple[Step, Masked]]:
    """The text as one form leaves it, with the order of bytes in memory still to come."""
    step = Step(form.name)
    match form.family:
        case Family.BYTES:
            stored = text.translate(storing_table(step))
            if stored != text or form.name == "plain":
                yield step, _whole(stored)
        case Family.WORDS | Family.SPACED:
            # Both are undone in the view, where the text stands as it is.
            yield step, _whole(text)
        case Family.BACKWARDS:
            yield step, _whole(text[::-1])
        case Family.WIDE:
            pairs = (bytes([0, code] if form.high_first else [code, 0]) for code in text)
            yield step, _whole(b"".join(pairs))
        case Family.KEYED:
            if len(set(text)) >= _FEWEST_UNDER_A_KEY:
                yield step, _whole(text)
        case Family.PACKED:
            if form.bits > 6 or all(0x20 <= code < 0x60 for code in text):
                for bit in range(8):
                    yield Step(form.name, bit), pack(form, text, bit)
        case Family.PIECES:
            return


def _alone(step: Step, masked: Masked) -> tuple[Needle, ...]:
    if step.form.family is Family.WORDS:
        return _swapped(step.form, (step,), masked)
    return (Needle(StoredForm((step,)), *masked, stride=step.form.stride),)


def _behind(first: Form, step: Step, masked: Masked) -> tuple[Needle, ...]:
    """What `step` left, as `first` then arranges it."""
    steps = (Step(first.name), step)
    if first.family is Family.WORDS:
        return _swapped(first, steps, masked)
    if first.family is Family.BACKWARDS:
        values, masks = masked
        masked = values[::-1], masks[::-1]
    return (Needle(StoredForm(steps), *masked, stride=first.stride),)


def _swapped(words: Form, steps: tuple[Step, ...], masked: Masked) -> tuple[Needle, ...]:
    """In the swapped view and, where the text fills no whole words, as a field by itself.

    A writer that swaps a field alone leaves its last, shorter word swapped within itself.
    """
    form, unit = StoredForm(steps), words.unit
    in_view = Needle(form, *masked, unit=unit)
    if len(masked[0]) % unit == 0:
        return (in_view,)
    values, masks = (swap_words(each, unit) for each in masked)
    return in_view, Needle(form, values, masks, alone=True)


@lru_cache(maxsize=4096)
def _longest_whole(masks: bytes) -> tuple[int, int]:
    runs = [match.span() for match in re.finditer(rb"\xff+", masks)]
    return max(runs, key=lambda run: run[1] - run[0], default=(0, 0))
