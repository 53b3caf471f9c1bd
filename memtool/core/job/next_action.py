"""The next step of a job, from what its journal says up to now.

Rules
-----
1. A module that is never blanked has one step left: its report.
2. The memory that is furthest back says what is next; where several stand at the same
   step they are named together.
3. Of one memory: both modules' reads, which agree; a layout, reviewed by a person; the order
   complete; the donor judged; the blanking; then the stages around the write, one by one.
4. A check that failed is mended, and one that is out of date is made again, unless a later
   stage was judged since.
5. A point that was left to a person is next right after its check, and again before the
   report; no other step waits for it.
6. A report that tells all that is on record ends the job, whatever it leaves open.
"""

from __future__ import annotations

from dataclasses import replace

from memtool.core.chip import is_same_chip
from memtool.core.job.bans import find_bans
from memtool.core.job.events.kinds import (
    CommandRun,
    FilesIntended,
    LayoutChosen,
    ReportWritten,
)
from memtool.core.job.job import Job
from memtool.core.job.next_kinds import WANTED, NextAction, NextKind, with_command
from memtool.core.job.order import says_nothing
from memtool.core.job.parts import PartState, find_part, is_transferred
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.job.stages.function_test import TESTED_KINDS
from memtool.core.job.standing import Standing, find_standing
from memtool.core.role import Role

_CHECK_OF = {
    Stage.DONOR: NextKind.CHECK_DONOR,
    Stage.BEFORE_WRITING: NextKind.CHECK_FILE,
    Stage.AFTER_WRITING: NextKind.PROGRAM,
    Stage.AFTER_SETUP: NextKind.SET_UP,
    Stage.RESTORED: NextKind.RESTORE,
}
_NOT_TOLD = (CommandRun, FilesIntended)
"""Entries that make no report old."""


def find_next(job: Job) -> NextAction:
    """The next step of a job; pure, it looks at no file."""
    bans = find_bans(job, job.named_layouts)
    if bans:
        return replace(_finish(job), ban=bans[0])
    several = len(job.memories) > 1
    if not job.memories:
        return with_command(NextAction(kind=NextKind.READ, role=Role.DONOR), several=False)
    steps = [step for memory in job.memories if (step := _of_memory(job, memory)) is not None]
    if not steps:
        return _finish(job)
    first = min(steps, key=_rank)
    alike = [step for step in steps if _is_alike(step, first)]
    memories = tuple(step.memories[0] for step in alike if step.memories)
    return with_command(replace(first, memories=memories), several=several)


def _rank(step: NextAction) -> tuple[int, int]:
    """How far back a step is in the order of a job: a check's failure and its points with it."""
    phase = step.kind
    if step.kind in (NextKind.DECIDE, NextKind.MEND) and step.stage is not None:
        phase = _CHECK_OF[step.stage]
    return phase, step.kind


def _is_alike(step: NextAction, first: NextAction) -> bool:
    together = first.kind in _TOGETHER
    asked = (first.kind, first.stage, first.role, first.layout)
    same = (step.kind, step.stage, step.role, step.layout) == asked
    return step is first or (together and same)


_TOGETHER = frozenset(
    {
        *(NextKind.CHECK_DONOR, NextKind.COMPLETE_ORDER, NextKind.BLANK, NextKind.CHECK_FILE),
        *(NextKind.PROGRAM, NextKind.SET_UP, NextKind.RESTORE, NextKind.READ),
    }
)
"""Steps that are made for all memories at once."""


def _of_memory(job: Job, memory: str) -> NextAction | None:
    """What one memory needs next; None: nothing before the report."""
    reading = _of_reads(job, memory)
    if reading is not None:
        return reading
    if job.restore_of(memory) is not None or job.latest_check(Stage.RESTORED, memory):
        restoring = _of_stages(job, memory, (Stage.RESTORED,))
        if restoring is not None:
            return restoring
    if find_part(job, memory).state is PartState.NOT_PART:
        return None
    if job.is_follow_up:
        return _of_stages(job, memory, (Stage.AFTER_SETUP,))
    begun = job.blankings_of(memory) or is_transferred(job, memory)
    late = (Stage.AFTER_WRITING, Stage.AFTER_SETUP)
    if begun or any(find_standing(job, stage, memory) for stage in late):
        return _of_stages(job, memory, (Stage.DONOR, Stage.BEFORE_WRITING, *late), begun=True)
    return _before_blanking(job, memory)


def _of_reads(job: Job, memory: str) -> NextAction | None:
    for role in (Role.ORIGINAL, Role.DONOR):
        backup = job.newest_backup(role, memory)
        if backup is not None and job.reads_agree(backup) is False:
            again = backup.read_count < 3
            kind = NextKind.READ_AGAIN if again else NextKind.MAJORITY
            return NextAction(kind=kind, memories=(memory,), role=role)
    unreadable = job.why_unreadable(memory)
    original, donor = (job.newest_backup(role, memory) for role in (Role.ORIGINAL, Role.DONOR))
    if original is None and unreadable is None:
        return NextAction(kind=NextKind.READ, memories=(memory,), role=Role.ORIGINAL)
    if donor is None and unreadable is None and not job.is_follow_up:
        if is_transferred(job, memory):
            return None
        return NextAction(kind=NextKind.READ, memories=(memory,), role=Role.DONOR)
    return None


def _before_blanking(job: Job, memory: str) -> NextAction | None:
    chosen = job.layout_of(memory)
    reviewed = _made_by(job, "layout review", memory)
    if chosen is None and reviewed is None:
        draft = _made_by(job, "layout draft", memory)
        kind = NextKind.DRAFT if draft is None else NextKind.REVIEW
        suffix = f"/{memory}" if len(job.memories) > 1 else ""
        roles = (role for role in Role if job.newest_backup(role, memory) is not None)
        images = tuple(f"{role.value}{suffix}" for role in roles)
        return NextAction(kind=kind, memories=(memory,), layout=draft, images=images)
    if chosen is not None and not chosen.reviewed and reviewed is None:
        return NextAction(kind=NextKind.REVIEW, memories=(memory,), layout=chosen.path)
    missing = tuple(name for name in WANTED if says_nothing(getattr(job.order, name)))
    if job.order.module_kind is None:
        missing += ("module_kind",)
    if missing:
        return NextAction(kind=NextKind.COMPLETE_ORDER, memories=(memory,), missing=missing)
    is_usable = chosen is not None and chosen.reviewed
    judging = _of_stages(job, memory, (Stage.DONOR,)) if is_usable else None
    if judging is not None:
        return judging
    return NextAction(
        kind=NextKind.BLANK, memories=(memory,), layout=None if is_usable else reviewed
    )


def _made_by(job: Job, command: str, memory: str) -> str | None:
    """The layout file that the newest run of a command wrote, not yet taken for this memory."""
    for event in reversed(job.events):
        if isinstance(event, LayoutChosen) and event.memory == memory:
            return None
        if isinstance(event, CommandRun) and event.command == command:
            out, chip = event.details.get("out"), event.details.get("chip")
            if isinstance(out, str) and _is_of(job, memory, chip):
                return out
    return None


def _is_of(job: Job, memory: str, chip: object) -> bool:
    """Whether a layout for that chip is for the memory; one that names none is for the only one."""
    if not isinstance(chip, str):
        return len(job.memories) == 1
    return is_same_chip(job.chip_of(memory), chip)


def _of_stages(
    job: Job, memory: str, stages: tuple[Stage, ...], *, begun: bool = False
) -> NextAction | None:
    """The first stage that is still to be judged, mended or decided; None: none is.

    Args:
        job: As it stands.
        memory: Its name.
        stages: In order.
        begun: Whether a donor that nobody judged is passed over, since it was blanked.
    """
    standings = {stage: find_standing(job, stage, memory) for stage in stages}
    for stage in stages:
        standing = standings[stage]
        later = _is_passed(standing, standings, stages[stages.index(stage) + 1 :])
        if standing is None:
            skipped = stage is Stage.DONOR and begun
            if later or skipped:
                continue
            return NextAction(kind=_CHECK_OF[stage], memories=(memory,), stage=stage)
        if standing.verdict is StageVerdict.OUT_OF_DATE and not later:
            if stage is Stage.DONOR and begun:
                continue
            return NextAction(kind=_CHECK_OF[stage], memories=(memory,), stage=stage)
        if standing.verdict is StageVerdict.FAIL and not later:
            return NextAction(kind=NextKind.MEND, memories=(memory,), stage=stage)
        if not later and not (stage is Stage.DONOR and begun):
            decide = _of_points(standing, memory)
            if decide is not None:
                return decide
    return None


def _is_passed(
    standing: Standing | None,
    standings: dict[Stage, Standing | None],
    later: tuple[Stage, ...],
) -> bool:
    """Whether a later stage was judged since, and its verdict still holds."""
    number = 0 if standing is None else standing.check.number
    return any(
        other is not None
        and other.check.number > number
        and other.verdict is not StageVerdict.OUT_OF_DATE
        for stage in later
        for other in (standings[stage],)
    )


def _of_points(standing: Standing, memory: str | None) -> NextAction | None:
    if standing.changed:
        return None
    label = next((point.label for point in standing.points if point.is_open), None)
    if label is None:
        return None
    return NextAction(
        kind=NextKind.DECIDE,
        memories=() if memory is None else (memory,),
        stage=standing.check.stage,
        point=label,
    )


def _finish(job: Job) -> NextAction:
    """What is left once every memory is through: what is open, the trial, the report."""
    several = len(job.memories) > 1
    if _is_reported(job):
        return NextAction(kind=NextKind.DONE)
    untried = job.order.module_kind in TESTED_KINDS and not job.function_tests
    if untried and job.latest_check(Stage.AFTER_SETUP) is not None:
        return with_command(NextAction(kind=NextKind.TRY), several=several)
    for stage in Stage:
        for memory in job.memories:
            standing = find_standing(job, stage, memory)
            decide = None if standing is None else _of_points(standing, memory)
            if decide is not None:
                return with_command(decide, several=several)
    return with_command(NextAction(kind=NextKind.REPORT), several=several)


def _is_reported(job: Job) -> bool:
    """Whether the last report tells all that is on record."""
    told = (event for event in reversed(job.events) if not isinstance(event, _NOT_TOLD))
    return isinstance(next(told, None), ReportWritten)
