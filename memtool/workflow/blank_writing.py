"""Blank the donor's identity: let the gate decide, write, read back, prove, record."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from memtool.core.finding import Check, Verdict
from memtool.core.job.events.kinds import ImageBlanked
from memtool.core.job.gate import Clearance, check_blank, check_written, require_blank
from memtool.core.job.gate_question import GateQuestion
from memtool.core.job.job import Job
from memtool.core.job.judging import judge
from memtool.core.job.programming import make_card
from memtool.core.job.proof import WrittenBlank, tell_match
from memtool.core.job.standing import find_outdated
from memtool.core.names import file_stem
from memtool.core.read_options import ReadOptions
from memtool.core.span import Span
from memtool.core.texts.known_identity import describe_search
from memtool.errors import RefusalError, StoreError
from memtool.formats.codec import ImageFormat, encode_image
from memtool.store.backups import BackupStore
from memtool.store.reading import compute_sha256
from memtool.workflow.blank import SUFFIXES, Prepared, PreparedAll, in_job
from memtool.workflow.jobs import FILES, OpenJob, name_in_journal, open_job, relative_to_job
from memtool.workflow.late import judging_again
from memtool.workflow.loading import load_read
from memtool.workflow.named_layouts import keep_layout
from memtool.workflow.writing import NewFile, Step, choose_path, write_steps


@dataclass(frozen=True, slots=True, kw_only=True)
class _Made:
    """One memory's file before it is written, with what the journal will say of it."""

    step: Step
    written: WrittenBlank


@dataclass(frozen=True, slots=True, kw_only=True)
class Blanked:
    """What was written and recorded."""

    opened: OpenJob
    """The job as it is then."""
    files: tuple[WrittenBlank, ...]


def write_blank(
    prepared: PreparedAll,
    store: BackupStore,
    confirm: Callable[[PreparedAll], str],
    *,
    now: datetime,
) -> Blanked:
    """Let the gate decide, write the files, read them back, prove them, and record them.

    After the person has confirmed, the store is locked, the job is read again, and every
    backup is verified once more: what was checked is what is there when a file is written.
    The files of several memories are all written, or none is.

    Args:
        prepared: Made in this run.
        store: Holds the donor's backups.
        confirm: Asks the person; called only after every other rule has allowed.
        now: Time of the journal's entries.

    Raises:
        RefusalError: a rule said no; nothing was written.
        StoreError: a file could not be written, or is not what was meant.
    """
    several = len(prepared.parts) > 1
    for part in prepared.parts:
        _require(part, part.result.question, several=several)
    confirmation = confirm(prepared)
    with store.locked():
        first = prepared.parts[0].request.opened
        opened = None if first is None else open_job(first.folder, store=first.store)
        cleared = []
        for part in prepared.parts:
            question = _ask_again(part, opened, store, confirmation)
            cleared.append((part, question, _require(part, question, several=several)))
        if opened is None:
            raise ValueError("a blanking was cleared without a job")
        for part, _, clearance in cleared:
            if part.request.layout is not None:
                memory = clearance.reads.memory or clearance.reads.chip
                opened = keep_layout(opened, part.request.layout, memory, now)
        made = [_make(opened, store, *each) for each in cleared]
        opened = write_steps(opened, [each.step for each in made], now=now)
        # Of a first blanking there is none, and nothing that judges is loaded.
        if find_outdated(opened.job):
            opened = judging_again.judge_again(opened, store, now=now)
        return Blanked(opened=opened, files=tuple(each.written for each in made))


def _require(part: Prepared, question: GateQuestion, *, several: bool) -> Clearance:
    """As the gate's own, with the name of the memory in the sentence where there are several."""
    try:
        return require_blank(question)
    except RefusalError as error:
        if several:
            error.message = f"{part.result.memory or 'a memory'}: {error.message}"
        raise


def _ask_again(
    part: Prepared, opened: OpenJob | None, store: BackupStore, confirmation: str
) -> GateQuestion:
    """The question with what the person typed, and the backup and the job as they are now."""
    question = part.result.question
    reads = question.reads
    question = replace(
        question,
        confirmation=confirmation,
        receipt=store.require_receipt(reads.backup) if reads else None,
    )
    return question if opened is None else in_job(question, opened, store)


def _make(
    opened: OpenJob, store: BackupStore, part: Prepared, question: GateQuestion, cleared: Clearance
) -> _Made:
    request = part.request
    format = request.format or request.loaded.format
    memory = cleared.reads.memory or cleared.reads.chip
    order = opened.job.reader_order(memory)
    data = encode_image(cleared.blanked, format, order=order)
    digest = compute_sha256(data)
    stem = file_stem("to-write", opened.job.label_of(memory))
    copy = choose_path(opened, opened.folder / FILES, stem, SUFFIXES[format], digest)
    out = request.out or copy

    def ask_again() -> None:
        # Another program may have taken the backup away since; then no file appears.
        store.require_receipt(cleared.reads.backup)

    def read_back() -> None:
        _require_written(out, format, order, question, cleared)

    # The event is made before the file; it is added only when the file was read back as meant.
    proof = check_written(cleared.plan, question.image, cleared.blanked, cleared.blanked)
    checks = (*check_blank(question), *proof)
    new = [NewFile(path=out, data=data, before_publish=ask_again, after=read_back)]
    if out != copy:
        new.append(NewFile(path=copy, data=data))
    event = _event(opened, part, question, cleared, checks, (out, copy), format, digest)
    return _Made(
        step=Step(event=event, new=new, files=[(relative_to_job(opened, copy), digest)]),
        written=WrittenBlank(
            prepared=part.result,
            card=make_card(
                memory=opened.job.label_of(memory),
                file=str(out),
                file_sha256=digest,
                chip=opened.job.chip_of(memory),
                image=cleared.blanked,
                not_read=find_not_read(opened.job, memory),
                byte_order=order,
            ),
            out=str(out),
            copy=str(copy),
            sha256=cleared.blanked.sha256(),
            file_sha256=digest,
            checks=checks,
        ),
    )


def _require_written(
    out: Path, format: ImageFormat, order: str, question: GateQuestion, cleared: Clearance
) -> None:
    written = load_read(out, ReadOptions(format=format, base=cleared.reads.base, order=order)).image
    proof = check_written(cleared.plan, question.image, cleared.blanked, written)
    if any(check.result is Verdict.FAIL for check in proof):
        raise StoreError(
            f"'{out}' does not hold what was meant",
            code="write-differs",
            next_step="do not write it to a module; check the disk and blank again",
        )


def _event(
    opened: OpenJob,
    part: Prepared,
    question: GateQuestion,
    cleared: Clearance,
    checks: tuple[Check, ...],
    paths: tuple[Path, Path],
    format: ImageFormat,
    digest: str,
) -> ImageBlanked:
    """What the journal says when the file is there; `paths` are those of file and copy."""
    layout = part.request.layout
    return ImageBlanked(
        memory=cleared.reads.memory or cleared.reads.chip,
        judged=judge(
            opened.job,
            layout=layout.sha256 if layout else None,
            file=cleared.blanked.sha256(),
            backups=(cleared.reads.backup,),
            reads=(question.image.sha256(),),
        ),
        backup=cleared.reads.backup,
        out=name_in_journal(opened, paths[0]),
        copy=relative_to_job(opened, paths[1]),
        format=format.value,
        sha256=cleared.blanked.sha256(),
        file_sha256=digest,
        donor_sha256=question.image.sha256(),
        layout=question.layout.name if question.layout else None,
        identities=question.identities,
        edits=cleared.plan.edits,
        kept=cleared.plan.kept,
        checks=checks,
        leftovers=tuple(tell_match(match) for match in part.result.matches),
        searched=describe_search(),
        order=opened.job.reader_order(cleared.reads.memory or cleared.reads.chip),
    )


def find_not_read(job: Job, memory: str) -> tuple[Span, ...]:
    """The areas of a memory that were declared as not read: nobody may write them."""
    declared = (each for each in job.settled if each.memory == memory and each.how == "not-read")
    return tuple(span for each in declared for span in each.spans)
