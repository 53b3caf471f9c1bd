"""Copies: regions of one kind that hold the same in every image, plain or inverted."""

from __future__ import annotations

from dataclasses import replace

from memtool.core.drafting.assembly import Assembly
from memtool.core.drafting.draft import RegionGuess
from memtool.core.layouts.layout import RegionKind

_KINDS = (RegionKind.CONFIGURATION, RegionKind.MODULE_IDENTITY, RegionKind.PROTECTED)
_SHORTEST = 4


def add_copies(assembly: Assembly) -> None:
    """Mark each region whose content stands in an earlier one of its kind as its copy.

    Vehicle identity has its copies marked already: by what the texts say.
    """
    for kind in _KINDS:
        firsts: list[RegionGuess] = []
        for guess in assembly.regions_of(kind):
            source = next((one for one in firsts if _is_copy(assembly, guess, one)), None)
            if source is None:
                firsts.append(guess)
                continue
            marked = replace(
                guess,
                region=guess.region._replace(copy_of=source.region.name),
                evidence=(*guess.evidence, f"Equal to '{source.region.name}' in all images."),
            )
            assembly.regions[assembly.regions.index(guess)] = marked


def _is_copy(assembly: Assembly, guess: RegionGuess, source: RegionGuess) -> bool:
    one, two = guess.region, source.region
    if len(one.span) != len(two.span) or len(one.span) < _SHORTEST or one.type is not two.type:
        return False
    survey = assembly.survey
    ours = [*survey.texts_at(one.span), *survey.reference_at(one.span)]
    theirs = [*survey.texts_at(two.span), *survey.reference_at(two.span)]
    # Fill is equal to fill, and no copy.
    varied = all(len(set(text)) > 2 for text in ours)
    # What is the same in every image may be equal for any reason: it must vary, and alike.
    return varied and len(set(ours)) > 1 and ours == theirs
