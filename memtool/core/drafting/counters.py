"""Counters: what differs between two reads of one module, the later number larger by little.

It may be an odometer or operating time, so it is proposed as protected.
"""

from __future__ import annotations

from itertools import pairwise

from memtool.core.drafting.assembly import Assembly
from memtool.core.drafting.draft import Confidence
from memtool.core.layouts.layout import FieldType, RegionKind
from memtool.core.span import Span

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


def add_counters(assembly: Assembly) -> None:
    """Add every run of up to four bytes that counts."""
    survey = assembly.survey
    # Texts, VINs and checksums are claimed before: what differs there has its reason.
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
                    "It may be mileage or operating time: it is never touched unless a person "
                    "says that it is state."
                ),
            ],
            confidence=Confidence.LIKELY if order != "unknown" else Confidence.POSSIBLE,
        )


def _counter_at(assembly: Assembly, run: Span) -> tuple[Span, str]:
    """The whole number that a ticking run belongs to, and its byte order."""
    survey = assembly.survey
    # The widest number that still counts: an odometer's upper bytes do not tick in two reads,
    # and must be protected with it. Three bytes come after two, since few numbers have three.
    for length in (4, 2, 3, 1):
        for order in ("big", "little"):
            # The low byte ticks, and in big order it is the last one.
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
    # An erased upper byte would make a number of what is space beside one.
    blank = survey.blank[survey.slice_of(span)]
    return seen and not blank.any()
