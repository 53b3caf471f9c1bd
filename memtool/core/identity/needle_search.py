"""Where needles stand in an image."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from memtool.core.identity.chance import ByteMix
from memtool.core.identity.needles import Needle
from memtool.core.identity.stored_forms import Step, StoredForm
from memtool.core.identity.trace import Trace, make_trace
from memtool.core.identity.view import View

MOST_HITS = 200
"""Of one needle in one view: where a text is found more often, it identifies nothing."""


def find_needle(needle: Needle, view: View) -> Iterator[tuple[StoredForm, Trace]]:
    """Every place where `needle` stands in `view`, with the form (its key known) and trace.

    Places of one needle do not overlap. At most `MOST_HITS` are given.
    """
    first, end = needle.core
    core = needle.values[first:end]
    data, keyed = view.data, needle.keyed
    if keyed:
        haystack = view.xor_steps if keyed == "xor" else view.added_steps
        core = _steps_of(core, keyed)
    else:
        haystack = data
    found, place, size = 0, 0, len(needle.values)
    while found < MOST_HITS:
        place = haystack.find(core, place)
        if place < 0:
            return
        start = place - first
        place += 1
        if start < 0 or start + size > len(data):
            continue
        form = _form_at(needle, data[start : start + size])
        if form is None:
            continue
        found += 1
        place += size - 1 - first if size - 1 > first else 0
        yield form, _trace_at(needle, view, start)


def compute_needle_chance(needle: Needle, mix: ByteMix) -> float:
    """How many places chance would give `needle` in an image of this mix and size.

    In swapped views there are as many ways to begin a word as it has bytes; of keyed forms
    any of the 255 keys counts.
    """
    if needle.keyed:
        chance = sum(
            mix.of_needle(_with_key(needle.values, needle.keyed, key), needle.masks)
            for key in range(1, 256)
        )
    else:
        chance = mix.of_needle(needle.values, needle.masks)
    return chance * mix.size * needle.unit


def _steps_of(text: bytes, keyed: str) -> bytes:
    pairs = pairwise(text)
    if keyed == "xor":
        return bytes(here ^ following for here, following in pairs)
    return bytes((following - here) % 256 for here, following in pairs)


def _with_key(text: bytes, keyed: str, key: int) -> bytes:
    if keyed == "xor":
        return bytes(code ^ key for code in text)
    return bytes((code + key) % 256 for code in text)


def _form_at(needle: Needle, stored: bytes) -> StoredForm | None:
    """The form in which `stored` is the needle, or None where it is not."""
    if needle.keyed:
        text = needle.values[0]
        key = stored[0] ^ text if needle.keyed == "xor" else (stored[0] - text) % 256
        # Without a key the text is plain; every bit changed is 'inverted'.
        if key == 0 or (needle.keyed == "xor" and key == 0xFF):
            return None
        return StoredForm((*needle.form.steps[:-1], Step(needle.keyed, key)))
    fits = all(
        not (have ^ want) & mask
        for have, want, mask in zip(stored, needle.values, needle.masks, strict=True)
    )
    return needle.form if fits else None


def _trace_at(needle: Needle, view: View, start: int) -> Trace:
    return make_trace(
        (view.address(start + index), mask) for index, mask in enumerate(needle.masks)
    )
