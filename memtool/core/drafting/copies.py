"""Copies: regions of one kind that hold the same in every image, plain or inverted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from memtool.core.drafting.assembly import Assembly
from memtool.core.layouts.layout import FieldType, Region, RegionKind
from memtool.core.span import Span

_KINDS = (RegionKind.CONFIGURATION, RegionKind.MODULE_IDENTITY, RegionKind.PROTECTED)
_SHORTEST = 4


def add_copies(assembly: Assembly) -> None:
    """Mark each region whose content stands in an earlier one of its kind as its copy.

    Vehicle identity has its copies marked already: by what the texts say.
    """
    firsts: dict[tuple[RegionKind, FieldType | None, tuple[bytes, ...]], Region] = {}
    for number, guess in enumerate(assembly.regions):
        region = guess.region
        if region.kind not in _KINDS:
            continue
        held = _held(assembly, region.span)
        if not _tells_copies(held):
            continue
        source = firsts.setdefault((region.kind, region.type, held), region)
        if source is not region:
            assembly.regions[number] = replace(
                guess,
                region=region._replace(copy_of=source.name),
                evidence=(*guess.evidence, f"Equal to '{source.name}' in all images."),
            )


def _held(assembly: Assembly, span: Span) -> tuple[bytes, ...]:
    survey = assembly.survey
    return (*survey.texts_at(span), *survey.reference_at(span))


def _tells_copies(held: Sequence[bytes]) -> bool:
    """Whether what the images hold at two places is a copy where it is the same."""
    if len(held[0]) < _SHORTEST:
        return False
    # What is the same in every image may be equal for any reason: it must vary, and alike. Fill is
    # equal to fill, and no copy.
    return len(set(held)) > 1 and all(len(set(text)) > 2 for text in held)
