"""What the customer reads first: the outcome in a word, the story in a few sentences.

Rules
-----
1. Done: every check after setup passed on a read of the module, and nothing is left open.
2. Not done: a check after writing or setup failed, the module was not checked after setup,
   it did not work on the vehicle, or it was given back as received.
3. Everything else is done with open points.
4. A sentence says what was not done; it never says that something is done as a rule.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from memtool.core.finding import Verdict
from memtool.core.image import Image
from memtool.core.job.job import Job
from memtool.core.job.order import OldModule
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.layouts.fields import FieldState
from memtool.core.layouts.layout import Layout, decode_fields
from memtool.core.layouts.region import RegionKind
from memtool.core.report.report import ImagePlace, LabelSerial, Outcome, ReportStage
from memtool.core.report.report_proof import (
    counting_verdict,
    find_counting,
    is_given_back,
    is_measured,
    is_transfer,
)
from memtool.core.role import Role
from memtool.core.words import count_of

_GOOD = frozenset({StageVerdict.PASS, StageVerdict.ONLY_COUNTERS_DIFFER})
_OLD_MODULE = {
    OldModule.CUSTOMER: "The old module was given back to the customer.",
    OldModule.CORE: "The old module was returned as a core. It still carries this vehicle's VIN,"
    " and may carry its keys.",
    OldModule.SCRAPPED: "The old module was scrapped.",
    OldModule.SHOP: "The old module is kept by the shop. It still carries this vehicle's VIN,"
    " and may carry its keys.",
    None: "Where the old module is now is not on record.",
}


def judge_outcome(job: Job, stages: Sequence[ReportStage], open_points: Sequence[str]) -> Outcome:
    """The outcome by the rules of this module."""
    writing = _verdicts(stages, Stage.AFTER_WRITING)
    setup = _verdicts(stages, Stage.AFTER_SETUP)
    tests = job.function_tests
    failed = StageVerdict.FAIL in (*writing, *setup) or bool(tests and not tests[-1].ok)
    if failed or is_given_back(job, stages) or not setup or None in setup:
        return Outcome.NOT_DONE
    measured = all(is_measured(item) for item in stages if item.stage is Stage.AFTER_SETUP)
    if measured and not open_points and set(setup) == {StageVerdict.PASS}:
        return Outcome.DONE
    return Outcome.OPEN


def tell_story(job: Job, stages: Sequence[ReportStage]) -> tuple[str, ...]:
    """What was done and why, a sentence for each step; what was not done says so."""
    return (
        _tell_why(job),
        _tell_reads(job),
        _tell_changes(job),
        _tell_writing(_verdicts(stages, Stage.AFTER_WRITING)),
        _tell_setup(job, stages),
    )


def tell_statements(job: Job, stages: Sequence[ReportStage]) -> tuple[str, ...]:
    """What has to be said on every first page."""
    return tuple(_statements(job, stages))


def _statements(job: Job, stages: Sequence[ReportStage]) -> Iterator[str]:
    if any(made.identities for made in job.blankings):
        seen = (*_verdicts(stages, Stage.AFTER_WRITING), *_verdicts(stages, Stage.AFTER_SETUP))
        where = "" if any(seen) else ", so far in the file to program alone"
        if StageVerdict.FAIL in seen:
            where = " in the file to program, but a check of the module failed"
        yield (
            f"The used part's earlier VIN was removed on the customer's order{where}; the"
            " vehicle's VIN plates were not touched. Removing a VIN is restricted in some"
            " countries."
        )
    yield _OLD_MODULE[job.order.old_module]
    yield "Checks on files are no safety release."


def compare_serials(
    job: Job, images: Mapping[str, Mapping[ImagePlace, Image]], layouts: Mapping[str, Layout]
) -> tuple[LabelSerial, ...]:
    """The serial numbers on both labels against those in the memories, original first.

    Args:
        job: Whose order says what the labels say.
        images: By memory, those that could be loaded.
        layouts: By memory; a module-identity field with "serial" in its name is the number.
    """
    return tuple(
        _compare_serial(
            role, label, [(images[name].get(place), layouts.get(name)) for name in images]
        )
        for role, place, label in (
            (Role.ORIGINAL, ImagePlace.ORIGINAL, job.order.original_serial),
            (Role.DONOR, ImagePlace.DONOR, job.order.donor_serial),
        )
    )


def _compare_serial(
    role: Role, label: str | None, memories: Sequence[tuple[Image | None, Layout | None]]
) -> LabelSerial:
    held = [
        str(field.value)
        for image, layout in memories
        if image is not None and layout is not None
        for field in decode_fields(layout, image)
        if field.kind is RegionKind.MODULE_IDENTITY
        and field.state is FieldState.DECODED
        and "serial" in field.name.lower()
    ]
    result = Verdict.NOT_CHECKED
    if label is not None and held:
        result = Verdict.PASS if _folded(label) in map(_folded, held) else Verdict.FAIL
    elif label is not None and any(_holds(image, label) for image, _ in memories):
        held, result = [label], Verdict.PASS
    return LabelSerial(role=role, label=label, memory=held[0] if held else None, result=result)


def _folded(text: str) -> str:
    return "".join(letter for letter in text.upper() if letter.isalnum())


def _holds(image: Image | None, text: str) -> bool:
    data = text.encode("ascii", "replace")
    return image is not None and any(data in segment.data for segment in image.segments)


def _verdicts(stages: Sequence[ReportStage], stage: Stage) -> list[StageVerdict | None]:
    return [counting_verdict(item) for item in stages if item.stage is stage]


def _tell_why(job: Job) -> str:
    kind = job.order.module_kind
    name = "A control module" if kind is None else f"The {kind.value.replace('-', ' ')} module"
    complaint = job.order.complaint
    why = f"; the complaint: {complaint.rstrip('.')}" if complaint else ""
    if not job.backups_of(Role.DONOR):
        return f"{name} of this vehicle was looked at{why}."
    return f"{name} of this vehicle was to be replaced by a used one{why}."


def _tell_reads(job: Job) -> str:
    original, donor = job.backups_of(Role.ORIGINAL), job.backups_of(Role.DONOR)
    kept = "and verified copies were put aside before anything was changed"
    if original and donor:
        return f"The memories of both modules were read, {kept}."
    if donor:
        why = "could not be read" if job.original_unreadable else "was not read"
        return f"The used module's memory was read, {kept}; the old module {why}."
    if original:
        return f"The old module's memory was read, {kept}; no used module was read."
    return "No module was read."


def _tell_changes(job: Job) -> str:
    made = find_counting(job)
    if not made:
        if is_transfer(job):
            return "The old module's own content is what the used one is to hold, unchanged."
        return "Nothing was changed in any memory."
    changed = sum(each.edits.size for each in made)
    sizes = {backup.sha256: backup.size for backup in job.backups}
    whole = sum(sizes.get(each.donor_sha256, 0) for each in made)
    of_all = f"{changed:,} of {count_of(whole, 'byte')}" if whole else count_of(changed, "byte")
    if any(each.identities for each in made):
        return (
            "In a copy of the used module's memory the VIN of its earlier vehicle was removed, with"
            f" what belongs to it: {of_all} changed, all others stayed."
        )
    return f"In a copy of the used module's memory {of_all} changed, all others stayed."


def _tell_writing(verdicts: Sequence[StageVerdict | None]) -> str:
    if StageVerdict.FAIL in verdicts:
        return "Read again after programming, the module does not hold what was to be programmed."
    done = [verdict for verdict in verdicts if verdict is not None]
    if not done:
        return "It is not on record that the module was programmed and read again."
    if len(done) < len(verdicts) or not set(done) <= _GOOD:
        return "Not every memory was read again, and found right, after programming."
    counters = StageVerdict.ONLY_COUNTERS_DIFFER in done
    apart = ", apart from counters" if counters else ""
    return f"The used module was programmed; read again, it holds exactly that copy{apart}."


def _tell_setup(job: Job, stages: Sequence[ReportStage]) -> str:
    if is_given_back(job, stages):
        return "The module was then given back as received."
    verdicts = _verdicts(stages, Stage.AFTER_SETUP)
    if StageVerdict.FAIL in verdicts:
        return "The check after the maker's setup procedure failed."
    tests = job.function_tests
    if tests and not tests[-1].ok:
        return "The test on the vehicle was not passed."
    if not verdicts or None in verdicts:
        return "The module was not checked after the maker's setup procedure."
    if not all(is_measured(item) for item in stages if item.stage is Stage.AFTER_SETUP):
        return "After setup the module was not read again; a scan tool reports its VIN."
    if set(verdicts) == {StageVerdict.PASS}:
        return (
            "After the maker's setup procedure it was read once more: it holds this vehicle's VIN"
            " and no other."
        )
    return "After the maker's setup procedure it was read once more; some points are open."
