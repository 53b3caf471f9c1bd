"""A job at a glance: its memories against the steps of the work, each cell a word or two."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from memtool.core.job.job import Job
from memtool.core.job.next_kinds import NextAction, NextKind
from memtool.core.job.parts import PartState, find_part
from memtool.core.job.stage import Stage, StageVerdict
from memtool.core.job.standing import Standing, find_standing, stages_of, tell_again, tell_changed
from memtool.core.role import Role
from memtool.core.words import count_of
from memtool.render.text import terminal
from memtool.render.text.answers import answers, points_as_answers
from memtool.render.text.check_view import STAGE_QUESTIONS, tell_verdict
from memtool.render.values import chip_words, reads_cell, reads_words, short_digest
from memtool.render.words import safe_text


class Row(StrEnum):
    """What is told of every memory, in the order of the work."""

    ORIGINAL = "Original's reads"
    DONOR = "Donor's reads"
    REFERENCE = "Reference's reads"
    LAYOUT = "Layout"
    FIT = "Donor fits"
    FILE = "File to program"
    BEFORE = "May it go on?"
    AFTER = "Taken exactly"
    SETUP = "After setup"
    RESTORED = "Given back"


_ROLES = {Row.ORIGINAL: Role.ORIGINAL, Row.DONOR: Role.DONOR, Row.REFERENCE: Role.REFERENCE}
_STAGES = {
    Row.FIT: Stage.DONOR,
    Row.BEFORE: Stage.BEFORE_WRITING,
    Row.AFTER: Stage.AFTER_WRITING,
    Row.SETUP: Stage.AFTER_SETUP,
    Row.RESTORED: Stage.RESTORED,
}
NOT_YET = "not yet"
_CELLS = {
    StageVerdict.PASS: "done",
    StageVerdict.FAIL: "failed",
    StageVerdict.INCOMPLETE: "open points",
    StageVerdict.ONLY_COUNTERS_DIFFER: "done",
    StageVerdict.OUT_OF_DATE: "out of date",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Overview:
    """The table: a row for each step, a cell for each memory."""

    memories: tuple[str, ...]
    rows: tuple[tuple[Row, tuple[str, ...]], ...]
    """Words are safe to print."""


_ROW_OF = {
    NextKind.DRAFT: Row.LAYOUT,
    NextKind.REVIEW: Row.LAYOUT,
    NextKind.BLANK: Row.FILE,
    NextKind.REPORT: Row.SETUP,
    NextKind.DONE: Row.SETUP,
}


def row_of(step: NextAction) -> Row:
    """The row that the next step of a job is about."""
    for row, stage in _STAGES.items():
        if step.stage is stage:
            return row
    for row, role in _ROLES.items():
        if step.role is role:
            return row
    return _ROW_OF.get(step.kind, Row.ORIGINAL)


def stage_of(row: Row) -> Stage | None:
    """The check that a row tells of."""
    return _STAGES.get(row)


def make_overview(job: Job) -> Overview:
    """The table of a job."""
    asked = stages_of(job)
    rows = [row for row in Row if _is_told(job, row, asked)]
    return Overview(
        memories=job.memories,
        rows=tuple(
            (row, tuple(_cell(job, row, memory) for memory in job.memories)) for row in rows
        ),
    )


def _is_told(job: Job, row: Row, asked: tuple[Stage, ...]) -> bool:
    if row is Row.REFERENCE:
        return bool(job.backups_of(Role.REFERENCE))
    return row not in _STAGES or _STAGES[row] in asked


def _cell(job: Job, row: Row, memory: str) -> str:
    if row in _ROLES:
        return _reads_cell(job, _ROLES[row], memory)
    if row is Row.LAYOUT:
        chosen = job.layout_of(memory)
        return "none" if chosen is None else ("reviewed" if chosen.reviewed else "not reviewed")
    if find_part(job, memory).state is PartState.NOT_PART:
        return "not needed"
    if row is Row.FILE:
        return "made" if job.blankings_of(memory) else NOT_YET
    standing = find_standing(job, _STAGES[row], memory)
    return NOT_YET if standing is None else stage_cell(standing)


def stage_cell(standing: Standing) -> str:
    """A verdict as it stands, in a word or two."""
    if standing.verdict is StageVerdict.INCOMPLETE and any(
        point.is_open for point in standing.points
    ):
        return "you decide"
    return _CELLS[standing.verdict]


def _reads_cell(job: Job, role: Role, memory: str) -> str:
    backup = job.newest_backup(role, memory)
    if backup is None:
        is_lost = role is Role.ORIGINAL and job.why_unreadable(memory) is not None
        return "unreadable" if is_lost else NOT_YET
    return reads_cell(backup.read_count, agree=job.reads_agree(backup))


def render_cell(job: Job, row: Row, memory: str) -> str:
    """What stands behind one cell, in full."""
    width = terminal.terminal_width()
    if row in _ROLES:
        return _reads_text(job, _ROLES[row], memory, width)
    if row is Row.LAYOUT:
        return _layout_text(job, memory)
    if row is Row.FILE:
        return _file_text(job, memory)
    return render_standing(job, _STAGES[row], memory)


def render_standing(job: Job, stage: Stage, memory: str) -> str:
    """The newest check of a stage: its verdict first, then every point."""
    width = terminal.terminal_width()
    parts = [terminal.heading(STAGE_QUESTIONS[stage])]
    standing = find_standing(job, stage, memory)
    if standing is None:
        part = find_part(job, memory)
        if part.state is PartState.NOT_PART:
            return f"{parts[0]}\n{safe_text(part.state)}: {safe_text(part.reason)}."
        return f"{parts[0]}\nnot checked yet"
    parts.append(f"Verdict: {tell_verdict(standing.verdict, standing.points)}")
    if standing.changed:
        parts.append(safe_text(f"{tell_changed(standing.changed)}."))
    elif standing.check.again:
        parts.append(safe_text(f"{tell_again(standing.check)}."))
    parts.append(safe_text(standing.check.time[:16].replace("T", " ")))
    if standing.check.subject:
        parts.append(safe_text(standing.check.subject))
    parts += ["", answers(points_as_answers(standing.points), width=width, show_all=True)]
    return "\n".join(parts)


def _reads_text(job: Job, role: Role, memory: str, width: int) -> str:
    backup = job.newest_backup(role, memory)
    heading = terminal.heading(f"The {role.value}'s {safe_text(memory)}")
    if backup is None:
        why = job.why_unreadable(memory) if role is Role.ORIGINAL else None
        return f"{heading}\n" + ("not read yet" if why is None else safe_text(why))
    agree = job.reads_agree(backup)
    rows = [
        ("chip", chip_words(backup.chip, backup.size)),
        (
            "reads",
            reads_words(
                backup.read_count, agree=agree, single_read_reason=backup.single_read_reason
            ),
        ),
        ("files", ", ".join(backup.names)),
        ("VINs", ", ".join(backup.vins) or "none found"),
        ("backup", backup.backup),
        ("sha256", short_digest(backup.sha256)),
    ]
    parts = [heading, *(terminal.labelled(*row, width=width, label_width=7) for row in rows)]
    if backup.findings:
        parts += ["", terminal.heading("Findings")]
        for text in backup.findings:
            parts.append(terminal.labelled("", text, width=width, label_width=0))
    return "\n".join(parts)


def _layout_text(job: Job, memory: str) -> str:
    chosen = job.layout_of(memory)
    heading = terminal.heading(f"Layout of {safe_text(memory)}")
    if chosen is None:
        return f"{heading}\nnone: nobody has said yet what lies where in this memory"
    state = "reviewed by a person" if chosen.reviewed else "nobody has reviewed it"
    rows = [("name", chosen.name), ("state", state), ("file", chosen.path)]
    width = terminal.terminal_width()
    return "\n".join(
        [heading, *(terminal.labelled(*row, width=width, label_width=7) for row in rows)]
    )


def _file_text(job: Job, memory: str) -> str:
    made = job.blankings_of(memory)
    heading = terminal.heading(f"File to program, {safe_text(memory)}")
    part = find_part(job, memory)
    if not made:
        return f"{heading}\n{safe_text(part.reason)}"
    last = made[-1]
    changed = last.edits.size
    rows = [
        ("file", last.out),
        ("changed", count_of(changed, "byte")),
        ("kept", count_of(len(last.kept), "span")),
        ("layout", last.layout or "none"),
        ("sha256", short_digest(last.sha256)),
    ]
    width = terminal.terminal_width()
    lines = [terminal.labelled(*row, width=width, label_width=7) for row in rows]
    return "\n".join([heading, *lines])
