"""The steps of a draft in their order."""

from __future__ import annotations

from collections.abc import Sequence

from memtool.core.drafting.assembly import Assembly, Progress
from memtool.core.drafting.checksums import (
    add_checksums,
    add_checksums_apart,
    tell_nesting,
)
from memtool.core.drafting.copies import add_copies
from memtool.core.drafting.counters import add_counters
from memtool.core.drafting.data import add_data, add_empty
from memtool.core.drafting.draft import Draft, ModuleReads, span_of
from memtool.core.drafting.identity_guess import FoundIdentity, find_sites
from memtool.core.drafting.identity_regions import add_identity
from memtool.core.drafting.state import add_state
from memtool.core.drafting.survey import Survey
from memtool.core.drafting.texts import add_dates, add_texts
from memtool.core.drafting.words import listed
from memtool.core.span import subtract_spans


def draft_layout(modules: Sequence[ModuleReads], *, progress: Progress | None = None) -> Draft:
    """Guess what lies where from the reads of modules of one family.

    Two modules are the least from which data can be told from calibration; a third one, or
    one that was never configured, settles most of what two leave open.

    Args:
        modules: In any order; references have the role.
        progress: Told after each piece of the search for checksums; may raise to end it.

    Raises:
        ValueError: no module that is not a reference, or the images have no address in common.
    """
    survey = Survey(modules)
    if not survey.configured:
        raise ValueError("a draft needs a configured module: a reference alone shows no identity")
    assembly = Assembly(survey, progress)
    found = find_sites(survey.configured)
    add_identity(assembly, found)
    add_texts(assembly)
    add_checksums(assembly)
    add_dates(assembly)
    add_state(assembly)
    add_counters(assembly)
    add_checksums_apart(assembly)
    add_data(assembly)
    add_empty(assembly)
    add_copies(assembly)
    tell_nesting(assembly)
    regions = sorted(assembly.regions, key=span_of)
    checksums = sorted(assembly.checksums, key=span_of)
    guessed = [*map(span_of, regions), *map(span_of, checksums)]
    return Draft(
        span=survey.span,
        erased=survey.erased,
        regions=tuple(regions),
        checksums=tuple(checksums),
        unknown=subtract_spans(survey.defined_spans, guessed),
        notes=tuple(_notes(survey, found)),
        word_swapped=found.word_swapped,
    )


def _notes(survey: Survey, found: FoundIdentity) -> list[str]:
    notes = []
    if found.word_swapped:
        notes.append(
            "The reads hold the two bytes of each word exchanged. Checksums can be found and"
            " fields told whole only when that is mended: run 'benchimage convert READ OUT"
            " --view swapped-16' on every read and draft from those."
        )
    without = [
        module.name
        for module, vin in zip(survey.configured, found.vins, strict=True)
        if vin is None
    ]
    if without:
        notes.append(
            f"No VIN is known of {listed(without)}, and none was found: name it with"
            " --vin IMAGE=VIN, otherwise its places stay hidden."
        )
    if survey.distinct < 2:
        notes.append(
            "With one module nothing tells data from calibration; a second one of the same"
            " family would."
        )
    elif survey.distinct == 2:
        notes.append("A third module of the family would settle most of what two leave open.")
    if not survey.references:
        notes.append(
            "No never-configured module was given, so what blank looks like is a guess: give"
            " one as reference if there is one."
        )
    return notes
