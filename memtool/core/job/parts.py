"""What each memory is to the job: written, left as it is for a reason, or still open."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from memtool.core.job.job import Job
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.job.standing import find_standing, tell_again
from memtool.core.role import Role

_WORST_FIRST = (
    StageVerdict.FAIL,
    StageVerdict.OUT_OF_DATE,
    StageVerdict.INCOMPLETE,
    StageVerdict.ONLY_COUNTERS_DIFFER,
    StageVerdict.PASS,
)


class PartState(StrEnum):
    """How a memory takes part in the job."""

    WRITTEN = "written"
    """A file was made for it, or the original's own image is to go onto it."""
    NOT_PART = "not part of this job"
    """Equal in both modules and not written, or declared unreadable."""
    OPEN = "open"
    """Nothing was made for it, and nothing says that nothing is needed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One memory of the job."""

    memory: str
    state: PartState
    reason: str
    """In words, without full stop."""


def find_part(job: Job, memory: str) -> Part:
    """What one memory is to the job, by its name."""
    donor = job.newest_backup(Role.DONOR, memory)
    original = job.newest_backup(Role.ORIGINAL, memory)
    if job.blankings_of(memory):
        return _part(memory, PartState.WRITTEN, "a file to program was made for it")
    if is_transferred(job, memory):
        return _part(memory, PartState.WRITTEN, "the original's own image goes onto it")
    if donor is not None and original is not None and donor.sha256 == original.sha256:
        return _part(memory, PartState.NOT_PART, "it is equal in both modules and not written")
    declared = [said.reason for said in job.unreadable if said.memory == memory]
    if donor is None and declared:
        return _part(memory, PartState.NOT_PART, f"it cannot be read: {declared[-1]}")
    if donor is None and job.is_follow_up:
        return _part(memory, PartState.WRITTEN, "it was handed over in an earlier job")
    if donor is None:
        return _part(memory, PartState.OPEN, "there is no read of the donor's")
    return _part(memory, PartState.OPEN, "nothing was made for it")


def is_transferred(job: Job, memory: str | None) -> bool:
    """Whether the original's own content is what that memory is to hold: nothing is blanked."""
    original = job.newest_backup(Role.ORIGINAL, memory)
    if original is None or memory is None or job.blankings_of(memory):
        return False
    stages = (Stage.BEFORE_WRITING, Stage.AFTER_WRITING)
    return any(
        check.sha256 == original.sha256
        for check in job.stage_checks
        if check.stage in stages and check.memory in (None, memory)
    )


def _part(memory: str, state: PartState, reason: str) -> Part:
    return Part(memory=memory, state=state, reason=reason)


def list_parts(job: Job) -> tuple[Part, ...]:
    """Every memory of the job, by name."""
    return tuple(find_part(job, memory) for memory in job.memories)


@dataclass(frozen=True, slots=True, kw_only=True)
class MemoryVerdict:
    """Where one memory stands in one stage."""

    memory: str
    verdict: StageVerdict | None
    """None: not part of this job."""
    text: str
    """What was checked or what is open, in words, without full stop."""
    is_open: bool = False
    """Whether the stage has still to judge it."""


def tell_stage(job: Job, stage: Stage) -> tuple[MemoryVerdict, ...]:
    """For every memory what was checked in a stage and what is open."""
    return tuple(_tell(job, stage, part) for part in list_parts(job))


def _tell(job: Job, stage: Stage, part: Part) -> MemoryVerdict:
    standing = find_standing(job, stage, part.memory)
    # What was judged counts, whatever became of the memory; the donor is judged before.
    if standing is not None:
        changed = f": {' and '.join(standing.changed)} changed" if standing.changed else ""
        again = f", {told}" if (told := tell_again(standing.check)) else ""
        text = f"checked {standing.check.time[:16].replace('T', ' ')}{changed or again}"
        return MemoryVerdict(
            memory=part.memory,
            verdict=standing.verdict,
            text=text,
            is_open=standing.verdict in (StageVerdict.FAIL, StageVerdict.OUT_OF_DATE),
        )
    if part.state is PartState.NOT_PART:
        return MemoryVerdict(memory=part.memory, verdict=None, text=f"{part.state}: {part.reason}")
    text = "not checked yet" if part.state is PartState.WRITTEN else f"open: {part.reason}"
    is_open = part.state is PartState.WRITTEN
    return MemoryVerdict(
        memory=part.memory, verdict=StageVerdict.INCOMPLETE, text=text, is_open=is_open
    )


def worst_of(verdicts: tuple[MemoryVerdict, ...]) -> StageVerdict:
    """One verdict for all memories: the worst; nothing judged is incomplete."""
    given = {each.verdict for each in verdicts if each.verdict is not None}
    found = next((verdict for verdict in _WORST_FIRST if verdict in given), None)
    if found in (None, StageVerdict.OUT_OF_DATE):
        return StageVerdict.INCOMPLETE
    return found
