"""Where needles stand in an image."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence

from memtool.core.texts.chance import ByteMix
from memtool.core.texts.needles import Needle
from memtool.core.texts.stored_forms import Step, StoredForm, storing_table
from memtool.core.texts.string_places import find_strings
from memtool.core.texts.trace import Trace, make_trace
from memtool.core.texts.view import View

MOST_HITS = 200
"""Of one needle in one view: where a text is found more often, it identifies nothing."""


CorePlaces = Mapping[tuple[str | None, bytes], Sequence[int]]
"""By name of a keyed form (None: without a key) and what is looked for: every place of it."""


def find_cores(needles: Iterable[Needle], view: View) -> CorePlaces:
    """Where the cores of some needles stand in a long view, as far as they are rare in it."""
    haystacks: dict[str | None, bytes] = {}
    cores: dict[str | None, set[bytes]] = {}
    for needle in needles:
        name = _keyed_name(needle)
        haystacks[name], core = _haystack_of(needle, view)
        cores.setdefault(name, set()).add(core)
    return {
        (name, core): places
        for name, haystack in haystacks.items()
        for core, places in find_strings(cores[name], haystack).items()
    }


def _keyed_name(needle: Needle) -> str | None:
    keyed = needle.keyed
    return None if keyed is None or keyed.key_steps is None else keyed.name


def _haystack_of(needle: Needle, view: View) -> tuple[bytes, bytes]:
    """What is searched, and the part of the needle that is looked for in it."""
    first, end = needle.core
    core, keyed = needle.values[first:end], needle.keyed
    if keyed is not None and keyed.key_steps is not None:
        # The steps do not depend on the key: one search for all 255.
        return view.key_steps(keyed), keyed.key_steps.make(core)
    return view.data, core


def find_needle(
    needle: Needle, view: View, known: CorePlaces | None = None
) -> Iterator[tuple[StoredForm, Trace]]:
    """Every place where `needle` stands in `view`, with the form (its key known) and trace.

    Places of one needle do not overlap. At most `MOST_HITS` are given.

    Args:
        needle: What is looked for.
        view: Where.
        known: What `find_cores` found for this view.
    """
    first, data = needle.core[0], view.data
    haystack, core = _haystack_of(needle, view)
    places = None if known is None else known.get((_keyed_name(needle), core))
    found, place, size = 0, 0, len(needle.values)
    while found < MOST_HITS:
        place = haystack.find(core, place) if places is None else _next_of(places, place)
        if place < 0:
            return
        # The core was found; the needle begins before it.
        start = place - first
        place += 1
        if start < 0 or start + size > len(data):
            continue
        form = _form_at(needle, data[start : start + size])
        if form is None:
            continue
        found += 1
        # The next one of this needle begins behind this one, never inside it.
        place += size - 1 - first if size - 1 > first else 0
        yield form, _trace_at(needle, view, start)


def _next_of(places: Sequence[int], place: int) -> int:
    """The first of the sorted `places` from `place` on; -1 where there is none."""
    number = bisect_left(places, place)
    return places[number] if number < len(places) else -1


def compute_needle_chance(needle: Needle, mix: ByteMix) -> float:
    """How many places chance would give `needle` in an image of this mix and size.

    In swapped views there are as many ways to begin a word as it has bytes; of keyed forms
    any of the 255 keys counts.
    """
    if needle.keyed is not None:
        chance = sum(
            mix.of_needle(
                needle.values.translate(storing_table(Step(needle.keyed.name, key))), needle.masks
            )
            for key in range(1, 256)
        )
    else:
        chance = mix.of_needle(needle.values, needle.masks)
    return chance * mix.size * needle.unit


def _form_at(needle: Needle, stored: bytes) -> StoredForm | None:
    """The form in which `stored` is the needle, or None where it is not."""
    keyed = needle.keyed
    if keyed is not None and keyed.key_steps is not None:
        # All steps agree, so the first byte gives the key of all.
        key = keyed.key_steps.find_key(stored[0], needle.values[0])
        if key in keyed.key_steps.named_otherwise:
            return None
        return StoredForm((*needle.form.steps[:-1], Step(keyed.name, key)))
    fits = all(
        not (have ^ want) & mask
        for have, want, mask in zip(stored, needle.values, needle.masks, strict=True)
    )
    return needle.form if fits else None


def _trace_at(needle: Needle, view: View, start: int) -> Trace:
    return make_trace(
        (view.address(start + index), mask) for index, mask in enumerate(needle.masks)
    )
