"""What is left: random looking, configuration, equal in all, and empty.

Rules
-----
1. Protected: at least eight bytes in a row of which nearly all differ between all modules
   and that use so many values that they look random. They may be keys.
2. Configuration: a run of at least sixteen bytes, small numbers and flags nearly all, of which
   single bytes differ between the modules by few bits. What touches a text or a date, holds
   digits, or has erased bytes inside is left alone: it may be the module's own identity. So is
   what differs nearly throughout: two tables.
3. Equal in at least two different modules, at least sixteen bytes that are not empty, no 32 empty
   ones between them: calibration or code.
4. Empty: erased (or zero) in all.

What fits none of these stays unknown. Nothing that looks random or counts is ever
proposed for blanking.
"""

from __future__ import annotations

import numpy as np

from memtool.core.drafting.assembly import Assembly
from memtool.core.drafting.draft import Confidence, RegionGuess
from memtool.core.layouts.layout import FieldType, RegionKind
from memtool.core.runs import runs_of_mask
from memtool.core.span import Span
from memtool.core.words import modules_word

_LARGEST_SMALL = 0x1F
_SHORTEST_RANDOM = 8
_SHARE_OF_VALUES = 0.5
"""Different values, as a share of those that so many random bytes have on average."""
_SHORTEST_OPTIONS = 16
"""Shorter runs of small numbers are met in any table: 7 of 400 families planted into real
memories had one of 6 to 15 bytes."""
_SHORTEST_EQUAL = 16
_PARTING = 32
"""Empty bytes in a row from which on they are a region of their own between equal ones."""


def add_data(assembly: Assembly) -> None:
    """Rules 1 to 3, on what is left between claims and empty runs."""
    survey = assembly.survey
    if survey.distinct < 2:
        return
    # A list first: adding a region changes what the chunks are made of.
    for chunk in [*assembly.claims.chunks()]:
        _add_random(assembly, chunk)
    for chunk in [*assembly.claims.chunks()]:
        _add_configuration(assembly, chunk)
    _add_equal(assembly)


def _add_random(assembly: Assembly, chunk: Span) -> None:
    survey = assembly.survey
    part = survey.rows[:, survey.slice_of(chunk)]
    differing = np.array([len(set(column.tolist())) == len(part) for column in part.T])
    # A byte in 85 is equal by chance in two of three modules: such holes are closed.
    for run in _runs_with_holes(differing, chunk.start):
        if len(run) < _SHORTEST_RANDOM:
            continue
        content = survey.rows[:, survey.slice_of(run)]
        values = [len(set(row.tolist())) for row in content]
        # Of n random bytes so many different values on average: 256·(1 - (255/256)^n).
        wanted = _SHARE_OF_VALUES * 256 * (1 - (255 / 256) ** len(run))
        high = float((content >= 0x80).mean())
        if min(values) < wanted or not 0.2 <= high <= 0.8:
            continue
        assembly.add(
            "random looking data",
            run,
            RegionKind.PROTECTED,
            evidence=[
                (
                    f"Nearly every byte differs in {modules_word(len(content))}, and the values "
                    "look random: these may be keys."
                ),
                "It is never shown decoded and never changed.",
            ],
            confidence=Confidence.LIKELY
            if len(run) >= 2 * _SHORTEST_RANDOM
            else Confidence.POSSIBLE,
        )


def _runs_with_holes(mask: np.ndarray[tuple[int], np.dtype[np.bool_]], base: int) -> list[Span]:
    """Runs of True; single False inside a run do not end it."""
    places = np.flatnonzero(mask).tolist()
    runs: list[Span] = []
    for place in places:
        if runs and base + place - runs[-1].end <= 1:
            runs[-1] = Span(runs[-1].start, base + place + 1)
        else:
            runs.append(Span(base + place, base + place + 1))
    return runs


def _add_configuration(assembly: Assembly, chunk: Span) -> None:
    """Rule 2."""
    survey = assembly.survey
    filled = np.flatnonzero(~survey.blank[survey.slice_of(chunk)])
    if not len(filled):
        return
    chunk = Span(chunk.start + int(filled[0]), chunk.start + int(filled[-1]) + 1)
    if len(chunk) < _SHORTEST_OPTIONS or survey.ticks[survey.slice_of(chunk)].any():
        return
    part = survey.rows[:, survey.slice_of(chunk)]
    varies = survey.varies[survey.slice_of(chunk)]
    if not varies.any():
        return
    # For each byte the bits in which any module differs from the first.
    bits = np.bitwise_or.reduce(part ^ part[:1], axis=0)
    changed = np.array([int(value).bit_count() for value in bits])
    # What options look like: a small number, nothing, or a single high flag.
    flat = (part <= 0x3F) | (part == 0xFF) | np.isin(part, [0x40, 0x80])
    # Equal bytes before and behind say nothing of how densely the others differ.
    first, last = np.flatnonzero(varies)[[0, -1]].tolist()
    density = varies[first : last + 1].mean() if last - first + 1 >= _SHORTEST_OPTIONS else 0
    if changed.max() > 4 or flat.mean() < 0.75 or max(varies.mean(), density) > 0.75:
        return
    if _has_long_number(part, varies) or _has_digits(part) or _touches_text(assembly, chunk):
        return
    blank = survey.blank[survey.slice_of(chunk)]
    # Two erased bytes in a row part it: it may be two things.
    if (blank[:-1] & blank[1:]).any():
        return
    assembly.add(
        "configuration",
        chunk,
        RegionKind.CONFIGURATION,
        type_=FieldType.BYTES,
        evidence=[
            (
                f"Small numbers and flags; {int(varies.sum())} of {len(chunk)} bytes differ between"
                " the modules, each by few bits: perhaps how the module is set up for its vehicle."
            ),
        ],
        confidence=Confidence.POSSIBLE,
    )


def _has_long_number(part: np.ndarray[tuple[int, int], np.dtype[np.uint8]], varies: object) -> bool:
    """Whether three bytes in a row differ and are large: a number, not flags."""
    large = (part > _LARGEST_SMALL).any(axis=0) & np.asarray(varies, bool)
    return bool((large[:-1] & large[1:]).any())


def _has_digits(part: np.ndarray[tuple[int, int], np.dtype[np.uint8]]) -> bool:
    """Whether three neighbours are letters or digits in all modules: a text, not flags."""
    codes = ((part >= 0x30) & (part <= 0x39)) | ((part >= 0x41) & (part <= 0x5A))
    # In some module unlike the first byte there: one repeated letter is no text.
    wordy = codes.all(axis=0) & (part != part[:, :1]).any(axis=0)
    return bool((wordy[:-2] & wordy[1:-1] & wordy[2:]).any())


def _touches_text(assembly: Assembly, chunk: Span) -> bool:
    """Whether the module's identity lies right beside it, so that it may be part of that."""
    near = Span(max(0, chunk.start - 1), chunk.end + 1)
    return any(
        guess.region.kind is RegionKind.MODULE_IDENTITY for guess in assembly.regions_over(near)
    )


def _add_equal(assembly: Assembly) -> None:
    """Rule 3."""
    survey = assembly.survey
    # Code and tables hold short runs of FF and 00 of their own; those part nothing.
    parting = survey.mask_of([run for run in survey.empty_runs if len(run) >= _PARTING])
    equal = ~survey.varies_at_all & ~assembly.claims.taken & ~parting
    empty = survey.blank | survey.mask_of(survey.empty_runs)
    for run in survey.runs_of(equal):
        filled = np.flatnonzero(~empty[survey.slice_of(run)])
        if len(filled) < _SHORTEST_EQUAL:
            continue
        span = Span(run.start + int(filled[0]), run.start + int(filled[-1]) + 1)
        assembly.add(
            "equal in all",
            span,
            RegionKind.CALIBRATION,
            evidence=[
                (
                    f"The same {len(span)} bytes in all {len(survey.all_rows)} modules, and not"
                    " erased: calibration or code, perhaps a setting that these modules share."
                ),
            ],
            confidence=Confidence.LIKELY
            if len(span) >= 2 * _SHORTEST_EQUAL and survey.distinct > 2
            else Confidence.POSSIBLE,
        )


def add_empty(assembly: Assembly) -> None:
    """Rule 4."""
    survey = assembly.survey
    for run in survey.empty_runs:
        free = ~assembly.claims.taken[survey.slice_of(run)]
        for first, end in runs_of_mask(free, least=4):
            span = Span(run.start + first, run.start + end)
            value = survey.all_rows[0, span.start - survey.span.start]
            assembly.add(
                "empty",
                span,
                RegionKind.UNUSED,
                blank_to=None if value == survey.erased else bytes([int(value)]),
                evidence=[f"{value:02X} throughout in all {len(survey.all_rows)} modules."],
                confidence=Confidence.LIKELY,
            )


def leave_out_short(assembly: Assembly, most: int) -> list[RegionGuess]:
    """Leave out what says least until no more than `most` regions are left; returns what went.

    The shortest empty regions go first, then the shortest equal ones, then texts, those that are
    the same in all images before others. They stay unknown, as if nothing had been guessed.
    """
    survey = assembly.survey
    kinds = (RegionKind.UNUSED, RegionKind.CALIBRATION, RegionKind.MODULE_IDENTITY)

    def worth(guess: RegionGuess) -> tuple[int, bool, int]:
        region = guess.region
        varies = bool(survey.varies_at_all[survey.slice_of(region.span)].any())
        return kinds.index(region.kind), varies, len(region.span)

    excess = len(assembly.regions) - most
    if excess <= 0:
        return []
    removable = [guess for guess in assembly.regions if guess.region.kind in kinds]
    out = sorted(removable, key=worth)[:excess]
    for guess in out:
        assembly.claims.release(guess.region.span)
    names = {guess.region.name for guess in out}
    assembly.regions = [each for each in assembly.regions if each.region.name not in names]
    return out
