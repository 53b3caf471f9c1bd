"""Judges what came out of a dishonest job. It never imports memtool, and searches slowly.

A text is looked for in all forms of docs/stored-forms.md, pairs included: plain, small letters,
last character first, words swapped, spaced, inverted, negated, nibbles swapped, bits reversed,
under any key, UTF-16, packed into seven or six bits, in two or three pieces.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable

from tests.stored_texts import ENCODERS

_MOST_PIECES = 3
_MOST_FOREIGN = 16
"""Bytes between two pieces, at most."""


def holds(memory: bytes, text: str) -> bool:
    """Whether the memory holds the whole text in any of these forms, at any place."""
    return (
        any(
            _runs_in(turned, word)
            for turned in (*_in_words(memory), *_spaced(memory))
            for word in (text.encode(), text.encode()[::-1], text.lower().encode())
        )
        or any(_is_packed(turned, text) for turned in _in_words(memory))
        or any(_is_split(memory, text, at, _MOST_PIECES) for at in range(len(memory)))
    )


def find_held(memory: bytes, texts: Iterable[str]) -> set[str]:
    """Those of the texts that the memory holds."""
    return {text for text in texts if holds(memory, text)}


def find_changed(before: bytes, after: bytes, start: int, end: int) -> list[int]:
    """The addresses from `start` up to `end` at which the two differ."""
    return [at for at in range(start, end) if before[at : at + 1] != after[at : at + 1]]


def _in_words(memory: bytes) -> Iterable[bytes]:
    """The memory, and its words of two and four bytes swapped, wherever they begin."""
    yield memory
    for unit in (2, 4):
        for phase in range(unit):
            words = [memory[at : at + unit][::-1] for at in range(phase, len(memory), unit)]
            yield memory[:phase] + b"".join(words)


def _spaced(memory: bytes) -> Iterable[bytes]:
    """Every second and every fourth byte of the memory."""
    return (memory[first::unit] for unit in (2, 4) for first in range(unit))


def _is_packed(memory: bytes, text: str) -> bool:
    """Whether the characters follow each other in seven or six bits, from any bit on."""
    high_first = "".join(f"{byte:08b}" for byte in memory)
    low_first = "".join(f"{byte:08b}"[::-1] for byte in memory)
    for width, less in ((7, 0), (6, 0x20)):
        codes = [f"{ord(character) - less:0{width}b}" for character in text]
        if "".join(codes) in high_first or "".join(code[::-1] for code in codes) in low_first:
            return True
    return False


def _is_split(memory: bytes, text: str, at: int, pieces: int) -> bool:
    """Whether the text begins there and goes on in so many pieces at most."""
    length = 0
    while length < len(text) and memory[at + length : at + length + 1] == text[length].encode():
        length += 1
        if pieces > 1 and any(
            _is_split(memory, text[length:], at + length + gap, pieces - 1)
            for gap in range(1, _MOST_FOREIGN + 1)
            if length < len(text)
        ):
            return True
    return length == len(text)


def _runs_in(memory: bytes, word: bytes) -> bool:
    """Plain, through an encoder, or with one number exclusive-ored with or added to each byte."""
    if word in memory:
        return True
    if any(bytes(map(encode, word)) in memory for encode in ENCODERS.values()):
        return True
    ored = bytes(a ^ b for a, b in itertools.pairwise(word))
    added = bytes((b - a) % 256 for a, b in itertools.pairwise(word))
    return ored in bytes(a ^ b for a, b in itertools.pairwise(memory)) or added in bytes(
        (b - a) % 256 for a, b in itertools.pairwise(memory)
    )
