"""A known text as the bytes it would be in each stored form: what a search looks for.

A needle is a run of bytes with a mask each: zero bits of a mask are free, so that the
foreign bits of a packed text's first and last byte do not matter. Swapped words and spaced
characters are undone in a view of the image (see `memtool.core.identity.view`), the rest is done to
the needle, which is short. A packed form has eight needles: one for each bit offset.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

from memtool.core.identity.stored_forms import Step, StoredForm, swap_words, undoing_table

Masked = tuple[bytes, bytes]
"""Values and masks, equally long."""


@dataclass(frozen=True, slots=True)
class Needle:
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
    def keyed(self) -> str | None:
        """``xor`` or ``added`` where the needle stands for all 255 keys."""
        last = self.form.steps[-1].kind
        return last if last in ("xor", "added") else None

    @property
    def core(self) -> tuple[int, int]:
        """(first, end) of the longest run of bytes that count whole."""
        return _longest_whole(self.masks)


def make_needles(text: bytes) -> Iterator[tuple[Needle, ...]]:
    """One tuple for each form or pair that is searched, in the order of the closed list.

    Left out: forms that leave this text as it is; keys where the text has fewer than three
    different characters, since any run of equal bytes would fit; six bits where a character
    has none; ``split``, which is no needle (see `memtool.core.identity.split_search`).

    Args:
        text: At least two bytes of ASCII.
    """
    telling = len(set(text)) >= 3
    plain = _whole(text)
    bytewise = {
        # Inverting and swapping halves or bits undo themselves.
        kind: _whole(text.translate(undoing_table(Step(kind))))
        for kind in ("inverted", "nibbles-swapped", "bits-reversed")
    }
    yield (_needle("plain", plain),)
    if text.lower() != text:
        yield (_needle("lower-case", _whole(text.lower())),)
    for unit in (2, 4):
        yield _swapped(unit, None, plain)
    yield (_needle("reversed", _whole(text[::-1])),)
    for stride in (2, 4):
        yield (_needle(f"every-{stride}", plain, stride=stride),)
    yield (_needle("utf-16-be", _whole(b"".join(bytes([0, code]) for code in text))),)
    yield (_needle("utf-16-le", _whole(b"".join(bytes([code, 0]) for code in text))),)
    for kind, stored in bytewise.items():
        yield (_needle(kind, stored),)
    if telling:
        yield (_needle("xor", plain),)
        yield (_needle("added", plain),)
    for kind in ("packed-7-msb", "packed-7-lsb", "packed-6-msb", "packed-6-lsb"):
        if kind.startswith("packed-7") or all(0x20 <= code < 0x60 for code in text):
            yield tuple(_needle(Step(kind, bit), pack(kind, text, bit)) for bit in range(8))
    for unit in (2, 4):
        yield _swapped(unit, Step("reversed"), _whole(text[::-1]))
        for kind, stored in bytewise.items():
            yield _swapped(unit, Step(kind), stored)
        if telling:
            yield _swapped(unit, Step("xor"), plain)
        for kind in ("packed-7-msb", "packed-7-lsb"):
            packed = [(bit, pack(kind, text, bit)) for bit in range(8)]
            yield tuple(
                needle
                for bit, masked in packed
                for needle in _swapped(unit, Step(kind, bit), masked)
            )
    yield (_needle("every-2", bytewise["inverted"], Step("inverted"), stride=2),)
    if telling:
        yield (_needle("every-2", plain, Step("xor"), stride=2),)
    values, masks = bytewise["inverted"]
    yield (_needle("reversed", (values[::-1], masks), Step("inverted")),)


def pack(kind: str, text: bytes, bit: int) -> Masked:
    """`text` packed from bit offset `bit` on, and the bits it takes."""
    width, low_first = int(kind[7]), kind.endswith("lsb")
    taken = 0x20 if width == 6 else 0
    stream = 0
    for index, code in enumerate(text):
        place = index if low_first else len(text) - 1 - index
        stream |= (code - taken) << width * place
    used = width * len(text)
    size = (bit + used + 7) // 8
    free = bit if low_first else 8 * size - bit - used
    order: Literal["little", "big"] = "little" if low_first else "big"
    full = (1 << used) - 1
    return (stream << free).to_bytes(size, order), (full << free).to_bytes(size, order)


def _whole(values: bytes) -> Masked:
    return values, b"\xff" * len(values)


def _needle(
    first: str | Step, masked: Masked, second: Step | None = None, *, unit: int = 1, stride: int = 1
) -> Needle:
    step = Step(first) if isinstance(first, str) else first
    steps = (step,) if second is None else (step, second)
    return Needle(StoredForm(steps), *masked, unit=unit, stride=stride)


def _swapped(unit: int, inner: Step | None, masked: Masked) -> tuple[Needle, ...]:
    """In the swapped view and, where the text fills no whole words, as a field by itself.

    A writer that swaps a field alone leaves its last, shorter word swapped within itself.
    """
    values, masks = masked
    name = f"swapped-{8 * unit}"
    in_view = _needle(name, masked, inner, unit=unit)
    if len(values) % unit == 0:
        return (in_view,)
    alone = (swap_words(values, unit), swap_words(masks, unit))
    return (in_view, replace(_needle(name, alone, inner), alone=True))


@lru_cache(maxsize=4096)
def _longest_whole(masks: bytes) -> tuple[int, int]:
    runs = [match.span() for match in re.finditer(rb"\xff+", masks)]
    return max(runs, key=lambda run: run[1] - run[0], default=(0, 0))
