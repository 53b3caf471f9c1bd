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
from memtool.core.drafting.data import add_data, add_empty, leave_out_short
from memtool.core.drafting.draft import Draft, ModuleReads, RegionGuess, span_of
from memtool.core.drafting.identity_guess import FoundIdentity, find_sites
from memtool.core.drafting.identity_regions import add_identity
from memtool.core.drafting.records import add_records
from memtool.core.drafting.rings import add_counter_rings
from memtool.core.drafting.state import add_state
from memtool.core.drafting.survey import Survey
from memtool.core.drafting.texts import add_dates, add_texts
from memtool.core.layouts.layout import MOST_TABLES, RegionKind
from memtool.core.span import subtract_spans
from memtool.core.words import count_of, listed


def draft_layout(
    modules: Sequence[ModuleReads], *, workers: int = 1, progress: Progress | None = None
) -> Draft:
    """Guess what lies where from the reads of modules of one family.

    Two modules are the least from which data can be told from calibration; a third one, or
    one that was never configured, settles most of what two leave open.

    Args:
        modules: In any order; references have the role.
        workers: Threads that search for checksums; the draft is the same with one.
        progress: Told after each piece of the search for checksums; may raise to end it.

    Raises:
        ValueError: no module that is not a reference, or the images have no address in common.
    """
    survey = Survey(modules)
    if not survey.configured:
        raise ValueError("a draft needs a configured module: a reference alone shows no identity")
    assembly = Assembly(survey, progress, workers)
    found = find_sites(survey.configured)
    # The order matters: each step takes what is free, so the surest come first. Texts lie
    # before checksums since they make starts and ends natural; a found checksum cuts the
    # printable byte off again that a text took from its field.
    records = add_records(assembly)
    add_identity(assembly, found)
    add_texts(assembly)
    add_counter_rings(assembly)
    add_checksums(assembly)
    add_dates(assembly)
    add_state(assembly)
    add_counters(assembly)
    add_checksums_apart(assembly)
    add_data(assembly)
    add_empty(assembly)
    left_out = leave_out_short(assembly, MOST_TABLES)
    add_copies(assembly)
    tell_nesting(assembly)
    regions = sorted(assembly.regions, key=span_of)
    checksums = sorted(assembly.checksums, key=span_of)
    guessed = [*map(span_of, regions), *map(span_of, checksums)]
    guessed += [guess.rules.span for guess in records]
    return Draft(
        span=survey.span,
        erased=survey.erased,
        regions=tuple(regions),
        checksums=tuple(checksums),
        unknown=subtract_spans(survey.defined_spans, guessed),
        notes=(*_notes(survey, found), *_left_out_notes(left_out)),
        records=records,
        word_swapped=found.word_swapped,
    )


_LEFT_OUT = {
    RegionKind.UNUSED: "empty",
    RegionKind.CALIBRATION: "equal in all",
    RegionKind.MODULE_IDENTITY: "texts",
}


def _left_out_notes(left_out: Sequence[RegionGuess]) -> list[str]:
    if not left_out:
        return []
    regions, verb = count_of(len(left_out), "short region"), "is" if len(left_out) == 1 else "are"
    kinds = {guess.region.kind for guess in left_out}
    which = listed(words for kind, words in _LEFT_OUT.items() if kind in kinds)
    return [f"A layout has at most {MOST_TABLES:,} regions: {regions} ({which}) {verb} left out."]


def _notes(survey: Survey, found: FoundIdentity) -> list[str]:
    notes = []
    if found.word_swapped:
        notes.append(
            "In these reads the two bytes of each word are swapped. Checksums and whole fields "
            "can only be found once that is undone: run 'benchimage convert READ OUT --view "
            "swapped-16' on every read and draft from the results."
        )
    without = [
        module.name
        for module, vin in zip(survey.configured, found.vins, strict=True)
        if vin is None
    ]
    if without:
        notes.append(
            f"No VIN is known of {listed(without)}, and none was found: give it with --vin "
            "IMAGE=VIN, or its copies stay hidden."
        )
    if survey.distinct < 2:
        notes.append(
            "One module alone does not show what is data and what is calibration; a second one of "
            "the same family would."
        )
    elif survey.distinct == 2:
        notes.append("A third module of the family would answer most of what two leave open.")
    if not survey.references:
        notes.append(
            "No never-configured module was given, so how a blank module looks is a guess: give "
            "one as reference if you have one."
        )
    return notes
