"""Where needles stand in an image."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple

from memtool.core.texts.chance import ByteMix
from memtool.core.texts.form_table import KeySteps
from memtool.core.texts.needles import Needle
from memtool.core.texts.stored_forms import Step, StoredForm, storing_table
from memtool.core.texts.string_places import WORTH_IT, Pattern, find_patterns, next_place
from memtool.core.texts.trace import Trace, make_trace
from memtool.core.texts.view import View

MOST_HITS = 200
"""Of one needle in one view: where a text is found more often, it identifies nothing."""


class Core(NamedTuple):
    """The bytes of a needle that count whole, in views of one kind."""

    keyed: str | None
    """The name of the form, where it has a key: the bytes may stand there under any."""
    text: bytes
    unit: int
    phase: int
    """Of the view."""


CorePlaces = Mapping[Core, Sequence[int]]
"""The places of the view, in order, at which alone a core may stand."""


class _Laid(NamedTuple):
    """One way in which a core may lie in memory."""

    pattern: Pattern
    """What is looked for: the bytes, of a keyed form the steps between neighbours."""
    ahead: int
    """So many bytes before the pattern the first word of the core begins."""
    shift: int
    """Place of the core in its first word, as the view shows it."""


def find_cores(needles: Iterable[Needle], view: View) -> CorePlaces:
    """Where the cores of some needles may stand, as far as the view is long and they are rare.

    No word is swapped for it: it is the needle that is laid out as it would lie in memory.

    Args:
        needles: For this view, and for those of the same segment with swapped words.
        view: Without swapped words.
    """
    if view.size < WORTH_IT:
        return {}
    laid: dict[Core, tuple[_Laid, ...]] = {}
    patterns: dict[str | None, set[Pattern]] = {}
    haystacks: dict[str | None, bytes] = {}
    for needle in needles:
        core = _core_of(needle, phase=0)
        if core not in laid:
            ways = tuple(_lay(needle, shift) for shift in range(needle.unit))
            laid[core] = ways
            patterns.setdefault(core.keyed, set()).update(each.pattern for each in ways)
            haystacks[core.keyed] = _haystack_of(needle, view)
    found = {name: find_patterns(patterns[name], haystacks[name]) for name in patterns}
    places: dict[Core, list[int]] = {}
    for core, ways in laid.items():
        # Where it is common in one way, a search of the whole view is left to others.
        if not all(each.pattern in found[core.keyed] for each in ways):
            continue
        in_phase = [places.setdefault(core._replace(phase=at), []) for at in range(core.unit)]
        for pattern, ahead, shift in ways:
            for place in found[core.keyed][pattern]:
                word, phase = divmod(place - ahead, core.unit)
                in_phase[phase].append(word * core.unit + shift)
    return {core: sorted(each) for core, each in places.items()}


def _lay(needle: Needle, shift: int) -> _Laid:
    """The core of a needle as it lies in memory, from `shift` on in a word of the view."""
    text, unit = _text_of(needle), needle.unit
    held = {
        # A word of the view is one of the memory from its end.
        place + unit - 1 - 2 * (place % unit): value
        for place, value in enumerate(text, shift)
    }
    steps = _steps_of(needle)
    if steps is not None:
        held = {
            at: steps.make(bytes([value, held[at + 1]]))[0]
            for at, value in held.items()
            if at + 1 in held
        }
    offsets = sorted(held)
    ahead = min(offsets, default=0)
    pattern = Pattern(bytes(held[at] for at in offsets), tuple(at - ahead for at in offsets))
    return _Laid(pattern, ahead, shift)


def _core_of(needle: Needle, *, phase: int) -> Core:
    keyed = needle.keyed
    name = None if keyed is None or keyed.key_steps is None else keyed.name
    return Core(name, _text_of(needle), needle.unit, phase)


def _text_of(needle: Needle) -> bytes:
    first, end = needle.core
    return needle.values[first:end]


def _steps_of(needle: Needle) -> KeySteps | None:
    """The steps by which it is found, where the form has a key: they do not depend on it."""
    return None if needle.keyed is None else needle.keyed.key_steps


def _haystack_of(needle: Needle, view: View) -> bytes:
    """What is searched for the needle: one search for all 255 keys."""
    keyed = needle.keyed
    return view.data if keyed is None or keyed.key_steps is None else view.key_steps(keyed)


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
    first, size = needle.core[0], len(needle.values)
    places = None if known is None else known.get(_core_of(needle, phase=view.phase % needle.unit))
    if places is None:
        haystack, core = _haystack_of(needle, view), _text_of(needle)
        steps = _steps_of(needle)
        core = core if steps is None else steps.make(core)
    found, place = 0, 0
    while found < MOST_HITS:
        place = haystack.find(core, place) if places is None else next_place(places, place)
        if place < 0:
            return
        # The core was found; the needle begins before it.
        start = place - first
        place += 1
        if start < 0 or start + size > view.size:
            continue
        form = _form_at(needle, view.part(start, start + size))
        if form is None:
            continue
        found += 1
        # The next one of this needle begins behind this one, never inside it.
        place += size - 1 - first if size - 1 > first else 0
        yield form, _trace_at(needle, view, start)


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
        if keyed.key_steps.make(stored) != keyed.key_steps.make(needle.values):
            return None
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
