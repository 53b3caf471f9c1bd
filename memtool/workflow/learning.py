"""`layout learn`: a finished job's images, what they tell of its layout, and the proposal's file.

Only a job that ended well is proof: the newest check after setup stands as passed, and a read
of the memory was judged. All is read again from backups and copies, by their digests.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from memtool.core.job.events.kinds import ImageBlanked, StageChecked
from memtool.core.job.setup_list import find_protected
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.job.standing import standing_of
from memtool.core.layouts.region import RegionKind
from memtool.core.learning.learned import Ended, Learned
from memtool.core.learning.learning import learn
from memtool.core.read_options import ImageFormat, ReadOptions
from memtool.core.records.placing import place_records
from memtool.core.role import Role
from memtool.errors import RefusalError, StoreError, UsageError
from memtool.formats.layout_toml.parsing import parse_layout
from memtool.formats.layout_toml.proposals import write_proposed_text
from memtool.store.layouts import LoadedLayout
from memtool.workflow.context import Context
from memtool.workflow.jobs import OpenJob, load_backup, load_role, load_to_write, only_memory
from memtool.workflow.judging_again import load_checked
from memtool.workflow.named_layouts import find_described, read_copy
from memtool.workflow.reviewing import Answer, Answered, give_answers, open_review
from memtool.workflow.writing import NewFile, require_free


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedMemory:
    """One memory of the job."""

    name: str
    layout: LoadedLayout
    """The job's copy."""
    checked: int
    """Number of the journal entry of the check after setup."""
    ended: Ended
    learned: Learned


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnResult:
    """What was learned, and the file with the proposals."""

    memories: tuple[LearnedMemory, ...]
    out: Path | None
    """None: nothing was written."""
    sha256: str | None


def learn_from_job(
    context: Context, *, memory: str | None, out: Path | None, now: datetime
) -> LearnResult:
    """Compare what was written with what is there after setup, and write the proposals.

    Args:
        context: Of a run inside a job.
        memory: None: all that were blanked.
        out: Layout file for the changes that are proposed; None: nothing is written.
        now: Time of the answers that carry over what the layout's reviewer accepted.

    Raises:
        UsageError: there is no job, or several memories have proposals for one file.
        RefusalError: the job is not finished, was not measured, has no layout; `out` exists.
        StoreError: a backup or a copy is lost or was changed.
    """
    opened = context.require_job()
    require_free(out, opened)
    memories = tuple(
        learn_memory(opened, context, made) for made in _require_blanked(opened, memory)
    )
    new = []
    proposing = [each for each in memories if each.learned.proposals]
    if out is not None and len(proposing) > 1:
        names = " and ".join(each.name for each in proposing)
        raise UsageError(
            f"changes are proposed for {names}, and a layout describes one memory",
            code="two-memories",
            next_step="name one of them: benchimage layout learn MEMORY --out FILE",
        )
    if out is not None and proposing:
        text = _text_of(proposing[0], opened, now)
        parse_layout(text)  # A proposal that is no valid layout is a mistake of ours; better now.
        new = [NewFile(path=out, data=text.encode())]
    context.record("layout learn", {"memories": [each.name for each in memories]}, new=new)
    if new and out is not None:
        _carry_over(out, proposing[0], now)
    return LearnResult(
        memories=memories,
        out=out if new else None,
        sha256=new[0].sha256 if new else None,
    )


def _require_blanked(opened: OpenJob, memory: str | None) -> tuple[ImageBlanked, ...]:
    """The newest file to program of each memory, or of the one that was named."""
    named = None if memory is None else only_memory(opened, memory)
    wanted = list(opened.job.memories) if named is None else [named]
    made = [found[-1] for each in wanted if (found := opened.job.blankings_of(each))]
    if not made:
        raise RefusalError(
            "this job has made no file to program, so nothing tells what was written after it",
            code="not-blanked",
            next_step="learn from a job whose donor was blanked and set up",
        )
    return tuple(made)


def learn_memory(opened: OpenJob, context: Context, made: ImageBlanked) -> LearnedMemory:
    """What one memory tells.

    Raises:
        RefusalError: it is not finished, was not measured, or has no layout.
        StoreError: a backup or a copy is lost or was changed.
    """
    memory = made.memory or ""
    check, copy = _require_finished(opened, memory)
    chosen = opened.job.layout_of(memory)
    vin = opened.job.order.vehicle_vin
    if chosen is None or vin is None:
        raise RefusalError(
            f"the job has no layout of {memory}, so nothing says what lies where",
            code="no-layout",
            next_step="draft one: benchimage layout draft original donor --out FILE",
        )
    layout = read_copy(opened, chosen)
    backups = [each for each in opened.job.backups if each.backup == made.backup]
    if not backups:
        raise StoreError("the journal names no backup that was blanked", code="no-backup")
    options = ReadOptions(format=ImageFormat(made.format), base=backups[-1].base)
    _require_kept(opened, made)
    finished = load_checked(opened, check, copy).image
    original = load_role(opened, context.store, Role.ORIGINAL, memory)
    ended = Ended(
        layout=layout.layout,
        before=load_backup(context.store, backups[-1])[1].image,
        blanked=load_to_write(opened, made, options).image,
        finished=finished,
        original=None if original is None else original[1].image,
        vehicle_vin=vin,
        kept=tuple(kept.span for kept in made.kept),
        hidden=(
            *find_protected(opened.job.named_layouts, memory),
            *(
                region.span
                for each in find_described(opened, memory)
                for region in place_records(each, finished).regions_of(RegionKind.PROTECTED)
            ),
        ),
    )
    return LearnedMemory(
        name=memory, layout=layout, checked=check.number, ended=ended, learned=learn(ended)
    )


def _require_finished(opened: OpenJob, memory: str) -> tuple[StageChecked, str]:
    """The newest check after setup that had a read, and the job's copy of that read."""
    checks = [
        check
        for check in opened.job.stage_checks
        if check.stage is Stage.AFTER_SETUP and check.memory in (None, memory)
    ]
    measured = [check for check in checks if check.copy is not None]
    if checks and not measured:
        raise RefusalError(
            f"what {memory} holds after setup was reported, not measured from a read",
            code="not-measured",
            next_step="read the module again, then benchimage check READ --stage after-setup",
        )
    for check in (*checks[-1:], *measured[-1:]):
        verdict = standing_of(opened.job, check).verdict
        if verdict is not StageVerdict.PASS:
            raise RefusalError(
                f"the job is not finished: the check of {memory} after setup stands as"
                f" '{verdict}', and only a job that ended well is proof",
                code="not-finished",
                next_step="settle its points, then benchimage check READ --stage after-setup",
            )
    if not measured or measured[-1].copy is None:
        raise RefusalError(
            f"the job is not finished: {memory} was not checked after setup",
            code="not-finished",
            next_step="benchimage check READ --stage after-setup",
        )
    return measured[-1], measured[-1].copy


def _require_kept(opened: OpenJob, made: ImageBlanked) -> None:
    if not (opened.folder / made.copy).is_file():
        raise StoreError(
            "the job's copy of the file to program is lost",
            code="copy-lost",
            file=str(opened.folder / made.copy),
            next_step="put the copy back",
        )


def _text_of(memory: LearnedMemory, opened: OpenJob, now: datetime) -> str:
    return write_proposed_text(
        memory.layout.data.decode(),
        memory.learned.proposals,
        [
            f"Learned {now.date().isoformat()} from {opened.folder.resolve().name}/{memory.name}:",
            "what the maker's procedure wrote there after the file was programmed.",
            "Each change is a guess until a person has reviewed it: benchimage layout review.",
        ],
    )


def _carry_over(out: Path, memory: LearnedMemory, now: datetime) -> None:
    """What was reviewed before is not asked again: its yes is kept beside the new file."""
    review = open_review(out)
    new = {proposal.region.name for proposal in memory.learned.proposals}
    old = {
        guess.name: Answered(answer=Answer.ACCEPT)
        for guess in review.guesses
        if guess.name not in new
    }
    give_answers(review, old, by=f"the reviewed layout '{memory.layout.layout.name}'", now=now)
