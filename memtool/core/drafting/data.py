"""What is neither identity nor checksum: state, counters, configuration, random, constant, empty.

Rules
-----
1. State: bytes that touch a VIN (or one another, two at most on each side) and hold one small
   number or a usual mark in all modules. With a reference they are state where it holds
   something else; without one only the nearest byte, and only as possible.
2. Sequence number: a byte that has the same place beside two copies of a VIN and differs
   between them by the same small step in every module.
3. Counter: bytes that differ between two reads of one module, the later number larger by
   little. It may be an odometer or operating time, so it is proposed as protected.
4. Protected: at least eight bytes in a row of which nearly all differ between all modules
   and that use so many values that they look random. They may be keys.
5. Configuration: a run of at least six bytes, small numbers and flags nearly all, of which
   single bytes differ between the modules by few bits. What touches a text or a date, holds
   digits, or has erased bytes inside is left alone: it may be the module's own identity.
6. Equal in at least two different modules, at least sixteen bytes in a row: calibration or code.
7. Empty: erased (or zero) in all.

What fits none of these stays unknown. Nothing that looks random or counts is ever
proposed for blanking.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from memtool.core.drafting.assembly import Assembly
from memtool.core.drafting.draft import Confidence, RegionGuess
from memtool.core.drafting.identity_regions import blank_at
from memtool.core.drafting.words import modules_word
from memtool.core.layout import FieldType, RegionKind
from memtool.core.span import Span

_MARKS = frozenset({0x55, 0xAA, 0x5A, 0xA5, 0x80, 0xC3, 0x3C})
_LARGEST_SMALL = 0x1F
_NEAR = 2
_SHORTEST_RANDOM = 8
_SHORTEST_OPTIONS = 6
_SHORTEST_EQUAL = 16
_LARGEST_STEP = 64
_COUNTER_TYPES = {
    (1, "big"): FieldType.U8,
    (2, "big"): FieldType.U16BE,
    (2, "little"): FieldType.U16LE,
    (3, "big"): FieldType.U24BE,
    (3, "little"): FieldType.U24LE,
    (4, "big"): FieldType.U32BE,
    (4, "little"): FieldType.U32LE,
}


def add_state(assembly: Assembly) -> None:
    """Rules 1 and 2."""
    whole = [
        guess
        for guess in assembly.regions_of(RegionKind.VEHICLE_IDENTITY)
        if guess.region.type is FieldType.VIN
    ]
    _add_sequence_numbers(assembly, whole)
    for guess in whole:
        span = guess.region.span
        after = [span.end + offset for offset in range(_NEAR)]
        before = [span.start - 1 - offset for offset in range(_NEAR)]
        for addresses in (after, before):
            for address in addresses:
                if not _add_state_byte(assembly, guess, address, near=address == addresses[0]):
                    break


def _add_state_byte(assembly: Assembly, vin: RegionGuess, address: int, *, near: bool) -> bool:
    """Whether the byte is state, or is known to be something else that may be passed over."""
    survey = assembly.survey
    if address < survey.span.start or address >= survey.span.end:
        return False
    span = Span(address, address + 1)
    if not assembly.claims.is_free(span):
        return any(guess.region.span == span for guess in assembly.regions_of(RegionKind.STATE))
    held = {text[0] for text in survey.texts_at(span)}
    if survey.distinct < 2:
        return False
    small = all(value <= _LARGEST_SMALL or value in _MARKS for value in held)
    if not small or held == {survey.erased} or survey.ticks[survey.slice_of(span)].any():
        return False
    references = {text[0] for text in survey.reference_at(span)}
    if references:
        if references & held:
            return False
    elif (
        not near
        or len(held) > 1
        or held == {0x00}
        or len(survey.rows) < 2
        or address < vin.region.span.start
    ):
        return False
    blank, sentence = blank_at(assembly, span)
    same = "the same small number" if len(held) == 1 else "a small number"
    assembly.add(
        "state beside VIN",
        span,
        RegionKind.STATE,
        type_=FieldType.U8,
        blank_to=blank,
        evidence=[
            (
                f"Beside '{vin.region.name}'; {same} in {modules_word(len(survey.rows))}:"
                " a flag or count of writing perhaps."
            ),
            sentence,
        ],
        confidence=Confidence.LIKELY if references else Confidence.POSSIBLE,
    )
    return True


def _add_sequence_numbers(assembly: Assembly, whole: Sequence[RegionGuess]) -> None:
    survey = assembly.survey
    if len(survey.rows) < 2:
        return
    for first, second in pairwise(whole):
        one, two = first.region, second.region
        if one.stored_as != two.stored_as or len(one.span) != len(two.span):
            continue
        length = len(one.span)
        for offset in (-1, -2, length, length + 1):
            spans = [
                Span(region.span.start + offset, region.span.start + offset + 1)
                for region in (one, two)
                if region.span.start + offset >= 0
            ]
            if len(spans) < 2 or not all(assembly.claims.is_free(span) for span in spans):
                continue
            values = [[text[0] for text in survey.texts_at(span)] for span in spans]
            steps = {(b - a) % 256 for a, b in zip(*values, strict=True)}
            if not steps <= {1, 255} or len(set(values[0])) < 2:
                continue
            for span in spans:
                blank, sentence = blank_at(assembly, span)
                assembly.add(
                    "sequence number",
                    span,
                    RegionKind.STATE,
                    type_=FieldType.U8,
                    blank_to=blank,
                    evidence=[
                        (
                            f"At the same place beside '{one.name}' and '{two.name}'; in every"
                            " module the two differ by one: it tells which of two banks is newer."
                        ),
                        sentence,
                    ],
                    confidence=Confidence.LIKELY,
                )
            break


def add_counters(assembly: Assembly) -> None:
    """Rule 3."""
    survey = assembly.survey
    ticking = survey.ticks & ~assembly.claims.taken
    for run in survey.runs_of(ticking):
        if len(run) > 4:
            continue
        span, order = _counter_at(assembly, run)
        assembly.add(
            "counter",
            span,
            RegionKind.PROTECTED,
            type_=_COUNTER_TYPES.get((len(span), order)),
            evidence=[
                (
                    "It differs between two reads of one module by a small step, so something"
                    f" counts here{'' if len(span) == 1 else f', {order} byte order'}."
                ),
                (
                    "It may be an odometer or operating time: it is never touched unless a person"
                    " says that it is state."
                ),
            ],
            confidence=Confidence.LIKELY if order != "unknown" else Confidence.POSSIBLE,
        )


def _counter_at(assembly: Assembly, run: Span) -> tuple[Span, str]:
    """The whole number that a ticking run belongs to, and its byte order."""
    survey = assembly.survey
    for length in (4, 2, 3, 1):
        for order in ("big", "little"):
            start = run.end - length if order == "big" else run.start
            if start < survey.span.start or (length in (2, 4) and start % 2):
                continue
            span = Span(start, start + length)
            if (
                span.contains(run)
                and assembly.claims.is_free(span)
                and _counts(assembly, span, order)
            ):
                return span, order
    return run, "unknown"


def _counts(assembly: Assembly, span: Span, order: str) -> bool:
    """Whether every module's later read is larger by little, and the number is no filler."""
    survey = assembly.survey
    seen = False
    for module in (*survey.configured, *survey.references):
        values = [
            int.from_bytes(read.read(span), "big" if order == "big" else "little")
            for read in module.reads
        ]
        for early, late in pairwise(values):
            if not 0 <= late - early <= _LARGEST_STEP:
                return False
            seen |= late != early
    blank = survey.blank[survey.slice_of(span)]
    return seen and not blank.any()


def add_data(assembly: Assembly) -> None:
    """Rules 4 to 6, on what is left between claims and empty runs."""
    survey = assembly.survey
    if survey.distinct < 2:
        return
    for chunk in [*assembly.claims.chunks()]:
        _add_random(assembly, chunk)
    for chunk in [*assembly.claims.chunks()]:
        _add_configuration(assembly, chunk)
    for chunk in [*assembly.claims.chunks()]:
        _add_equal(assembly, chunk)


def _add_random(assembly: Assembly, chunk: Span) -> None:
    survey = assembly.survey
    part = survey.rows[:, survey.slice_of(chunk)]
    differing = np.array([len(set(column.tolist())) == len(part) for column in part.T])
    # A byte in 85 is equal by chance in two of three modules: such holes are closed.
    for run in _runs_with_holes(differing, chunk.start):
        if len(run) < _SHORTEST_RANDOM:
            continue
        content = survey.rows[:, survey.slice_of(run)]
        values = [len(set(row.tolist())) / len(run) for row in content]
        high = float((content >= 0x80).mean())
        if min(values) < 0.6 or not 0.2 <= high <= 0.8:
            continue
        assembly.add(
            "random looking data",
            run,
            RegionKind.PROTECTED,
            evidence=[
                (
                    f"Nearly every byte differs in {modules_word(len(content))}, and the values"
                    " look random: it may be keys."
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
    """Rule 5."""
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
    bits = np.bitwise_or.reduce(part ^ part[:1], axis=0)
    changed = np.array([int(value).bit_count() for value in bits])
    flat = (part <= 0x3F) | (part == 0xFF) | np.isin(part, [0x40, 0x80])
    if changed.max() > 4 or flat.mean() < 0.75 or varies.mean() > 0.75:
        return
    if _has_long_number(part, varies) or _has_digits(part) or _touches_text(assembly, chunk):
        return
    blank = survey.blank[survey.slice_of(chunk)]
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
                " the modules, each by few bits: how the module is set up for its vehicle, perhaps."
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
    wordy = codes.all(axis=0) & (part != part[:, :1]).any(axis=0)
    return bool((wordy[:-2] & wordy[1:-1] & wordy[2:]).any())


def _touches_text(assembly: Assembly, chunk: Span) -> bool:
    """Whether the module's identity lies right beside it, so that it may be part of that."""
    near = Span(max(0, chunk.start - 1), chunk.end + 1)
    return any(
        guess.region.span.overlaps(near)
        for guess in assembly.regions_of(RegionKind.MODULE_IDENTITY)
    )


def _add_equal(assembly: Assembly, chunk: Span) -> None:
    """Rule 6."""
    survey = assembly.survey
    equal = ~survey.varies_at_all[survey.slice_of(chunk)]
    edges = np.flatnonzero(np.diff(equal, prepend=False, append=False)).reshape(-1, 2)
    for first, end in edges:
        run = Span(chunk.start + int(first), chunk.start + int(end))
        if len(run) < _SHORTEST_EQUAL:
            continue
        assembly.add(
            "equal in all",
            run,
            RegionKind.CALIBRATION,
            evidence=[
                (
                    f"The same {len(run)} bytes in all {len(survey.all_rows)} modules, and not"
                    " erased: calibration or code, perhaps a setting that these modules share."
                ),
            ],
            confidence=Confidence.LIKELY
            if len(run) >= 2 * _SHORTEST_EQUAL and survey.distinct > 2
            else Confidence.POSSIBLE,
        )


def add_empty(assembly: Assembly) -> None:
    """Rule 7."""
    survey = assembly.survey
    for run in survey.empty_runs:
        free = ~assembly.claims.taken & survey.mask_of([run])
        for span in survey.runs_of(free):
            if len(span) < 4:
                continue
            value = survey.all_rows[0, span.start - survey.span.start]
            assembly.add(
                "empty",
                span,
                RegionKind.UNUSED,
                blank_to=None if value == survey.erased else bytes([int(value)]),
                evidence=[f"{value:02X} throughout in all {len(survey.all_rows)} modules."],
                confidence=Confidence.LIKELY,
            )
