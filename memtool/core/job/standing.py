"""What still holds of the verdicts that were given: each is about digests, not about names.

A verdict names what it judged. When one of these things changes later it is out of date by
itself; nobody has to remember to forget it. A verdict of a journal that noted no digests
cannot be told from one about something else, and is out of date as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from memtool.core.job.decisions import Point, judge_points, list_points
from memtool.core.job.events.event import Judged
from memtool.core.job.events.kinds import StageChecked
from memtool.core.job.job import Job
from memtool.core.job.judging import judge
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.role import Role

_FILE = "the file to program"
_WORDS = (
    ("layout", "the layout"),
    ("file", _FILE),
    ("backups", "the backups"),
    ("vehicle_vin", "the vehicle's VIN"),
    ("module_kind", "the module kind"),
)
"""What a verdict is about, in the order in which changes are told. The read that it looked
at is not among them: it is the verdict's own, and stays what it was."""
_UNKNOWN = "what it judged is not on record"


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """The newest check of one stage and memory, and whether it still holds."""

    check: StageChecked
    changed: tuple[str, ...]
    """What changed since, in words; empty: it holds."""
    points: tuple[Point, ...]
    """Every answer, with what a person decided on it."""

    @property
    def verdict(self) -> StageVerdict:
        """The verdict as it stands now."""
        return StageVerdict.OUT_OF_DATE if self.changed else judge_points(self.points)


def find_standing(job: Job, stage: Stage, memory: str | None = None) -> Standing | None:
    """The newest check of that stage (and memory), and what changed since; None without one."""
    check = job.latest_check(stage, memory)
    return None if check is None else standing_of(job, check)


def standing_of(job: Job, check: StageChecked) -> Standing:
    """That check as it stands now."""
    return Standing(check=check, changed=find_changed(job, check), points=list_points(job, check))


def find_outdated(job: Job) -> tuple[Standing, ...]:
    """The verdicts that are out of date and that could be judged again, by journal entry.

    Left out is what the journal does not name the grounds of, what was judged for another file
    to write, and a file that was compared with a fresh read, which the job does not keep.
    """
    found = {}
    for stage in Stage:
        for memory in job.memories or (None,):
            standing = find_standing(job, stage, memory)
            if standing is not None and _can_be_judged_again(standing):
                found[standing.check.number] = standing
    return tuple(found[number] for number in sorted(found))


def _can_be_judged_again(standing: Standing) -> bool:
    changed = set(standing.changed)
    if not changed or changed & {_UNKNOWN, _FILE}:
        return False
    codes = {check.code for check in standing.check.checks}
    return standing.check.stage is not Stage.BEFORE_WRITING or not codes & {"target", "counters"}


def tell_again(check: StageChecked) -> str | None:
    """Why a check was made without being asked for, as a clause; None where a person asked."""
    return f"checked again: {tell_changed(check.again)}" if check.again else None


def find_changed(job: Job, check: StageChecked) -> tuple[str, ...]:
    """What that check judged and what is another now, in words; empty where it still holds."""
    if check.judged == Judged():
        return (_UNKNOWN,)
    now = judge_now(job, check.stage, check.memory)
    return tuple(
        words for name, words in _WORDS if getattr(check.judged, name) != getattr(now, name)
    )


def tell_changed(changed: Sequence[str]) -> str:
    """What changed since a check, as one clause without a full stop."""
    return _UNKNOWN if _UNKNOWN in changed else f"{' and '.join(changed)} changed since"


def judge_now(
    job: Job, stage: Stage, memory: str | None, *, reads: tuple[str, ...] | None = None
) -> Judged:
    """What a check of that stage and memory would judge at this moment.

    Args:
        job: As it stands.
        stage: A file to program is no matter of `donor`.
        memory: None: the job's only one, or a check of reported values.
        reads: Digest of each read that is looked at.
    """
    layout = job.layout_of(memory) if memory is not None else None
    made = job.blankings_of(memory) if stage is not Stage.DONOR else ()
    newest = (job.newest_backup(role, memory) for role in Role)
    return judge(
        job,
        layout=layout.sha256 if layout else None,
        file=made[-1].sha256 if made else None,
        backups=tuple(backup.backup for backup in newest if backup is not None) or None,
        reads=reads,
    )


def stages_of(job: Job) -> tuple[Stage, ...]:
    """The stages that are asked in this job: `restored` only where a backup was given back."""
    if job.is_follow_up:
        return (Stage.AFTER_SETUP,)
    gives_back = any(job.restore_of(memory) for memory in (None, *job.memories))
    if gives_back or job.latest_check(Stage.RESTORED) is not None:
        return tuple(Stage)
    return tuple(stage for stage in Stage if stage is not Stage.RESTORED)
