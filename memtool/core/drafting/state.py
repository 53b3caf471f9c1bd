"""State beside identity: flags that a VIN was written, and numbers that tell which bank is newer.

Rules
-----
1. State: bytes that touch a VIN (or one another, two at most on each side), hold a small number
   or a usual mark in all modules, and are blank in every reference. Without a reference nothing
   tells them from foreign data that happens to lie there, and they stay unknown.
2. Sequence number: a byte that has the same place beside two copies of a VIN and differs
   between them by one in every module.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from memtool.core.drafting.assembly import Assembly
from memtool.core.drafting.draft import Confidence, RegionGuess
from memtool.core.drafting.identity_regions import blank_at
from memtool.core.layouts.layout import FieldType, RegionKind
from memtool.core.span import Span
from memtool.core.words import modules_word

_MARKS = frozenset({0x55, 0xAA, 0x5A, 0xA5, 0x80, 0xC3, 0x3C})
"""Values that flags like to have. Common practice, no source."""
_LARGEST_SMALL = 0x1F
_NEAR = 2


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
                # Outwards from the VIN: behind a byte that is no state nothing is beside the VIN
                # any more.
                if not _add_state_byte(assembly, guess, address):
                    break


def _add_state_byte(assembly: Assembly, vin: RegionGuess, address: int) -> bool:
    """Whether the byte is state, or is known to be something else that may be passed over."""
    survey = assembly.survey
    if address < survey.span.start or address >= survey.span.end:
        return False
    span = Span(address, address + 1)
    if not assembly.claims.is_free(span):
        return any(guess.region.kind is RegionKind.STATE for guess in assembly.regions_over(span))
    held = {text[0] for text in survey.texts_at(span)}
    if survey.distinct < 2:
        return False
    small = all(value <= _LARGEST_SMALL or value in _MARKS for value in held)
    if not small or held == {survey.erased} or survey.ticks[survey.slice_of(span)].any():
        return False
    references = {text[0] for text in survey.reference_at(span)}
    # A reference that holds another number may be a module with other data, not a blank one.
    if not references or not references <= {survey.erased, 0x00} or references & held:
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
                " perhaps a flag or a write counter."
            ),
            sentence,
        ],
        confidence=Confidence.LIKELY,
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
            # One more or one less, modulo 256: either bank may be the newer one.
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
