"""What `check` shows: the stage, every answer, the verdict, the next step."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol

from memtool.core.job.decisions import Point, points_to_facts, tell_decided
from memtool.core.job.parts import MemoryVerdict
from memtool.core.job.programming import ProgrammingCard
from memtool.core.job.stage import Stage, StageVerdict
from memtool.render.cautions import BEFORE_WRITING
from memtool.render.json.as_json import document
from memtool.render.text import terminal
from memtool.render.text.answers import answers, points_as_answers
from memtool.render.text.card_view import render_cards
from memtool.render.values import verdict_words
from memtool.render.words import safe_text

_INCOMPLETE = ": no check failed; some points are open"
_REPORTED = "values reported, not measured"
STAGE_QUESTIONS = {
    Stage.DONOR: "Is the donor a suitable replacement?",
    Stage.BEFORE_WRITING: "May this file go onto that module?",
    Stage.AFTER_WRITING: "Did the module take exactly this?",
    Stage.AFTER_SETUP: "Does every VIN belong to the vehicle?",
    Stage.RESTORED: "Does the module hold its backup again, byte for byte?",
}
MILEAGE_BEFORE = "Mileage shown before the work, as on the order or the dashboard"
MILEAGE_AFTER = "Mileage shown now"


class CheckedMemory(Protocol):
    """One memory that was judged in this run; or values reported of the whole module."""

    @property
    def memory(self) -> str | None: ...
    @property
    def subject(self) -> str | None: ...
    @property
    def points(self) -> Sequence[Point]: ...
    @property
    def verdict(self) -> StageVerdict: ...


class CheckedStage(Protocol):
    """One stage with all memories of the job."""

    @property
    def stage(self) -> Stage: ...
    @property
    def inferred(self) -> bool: ...
    @property
    def done(self) -> Sequence[CheckedMemory]: ...
    @property
    def memories(self) -> Sequence[MemoryVerdict]: ...
    @property
    def cards(self) -> Sequence[ProgrammingCard]: ...
    @property
    def verdict(self) -> StageVerdict: ...
    @property
    def is_first(self) -> bool: ...


def render_check_answer(checked: CheckedStage, *, show_all: bool = False) -> str:
    """The verdict, then what failed or is open: the first lines."""
    width = terminal.terminal_width()
    stage, several = checked.stage, len(checked.memories) > 1
    said = " (inferred from the job)" if checked.inferred else ""
    verdict = terminal.verdict_heading(
        "Verdict", checked.verdict, tell_verdict(checked.verdict, _points(checked))
    )
    parts = [verdict]
    parts.append(
        terminal.paragraph(f"Stage {stage.value}{said}: {STAGE_QUESTIONS[stage]}", width=width)
    )
    if several:
        parts.append(terminal.table(_memory_rows(checked)))
    else:
        parts += [
            terminal.paragraph(done.subject or _REPORTED, width=width) for done in checked.done
        ]
    found = [
        answer
        for done in checked.done
        for answer in points_as_answers(done.points, several=several)
    ]
    if found:
        parts.append(answers(found, width=width, show_all=show_all))
    return "\n".join(parts)


def render_check_details(checked: CheckedStage) -> str:
    """How each file is programmed, where it may be; the cautions for it once a job."""
    if checked.stage is not Stage.BEFORE_WRITING or checked.verdict is StageVerdict.FAIL:
        return ""
    parts = [render_cards(checked.cards)] if checked.cards else []
    if checked.is_first:
        title = terminal.heading("Before you write it")
        cautions = terminal.cautions(BEFORE_WRITING, width=terminal.terminal_width())
        parts.append(f"{title}\n{cautions}")
    return "\n\n".join(parts)


def render_check(checked: CheckedStage, *, show_all: bool = False) -> str:
    """All that is said of a stage: the answer, then the cards and cautions."""
    details = render_check_details(checked)
    return render_check_answer(checked, show_all=show_all) + (f"\n\n{details}" if details else "")


def _points(checked: CheckedStage) -> list[Point]:
    return [point for done in checked.done for point in done.points]


def tell_verdict(verdict: StageVerdict, points: Sequence[Point]) -> str:
    """The verdict in words; how many points were decided and by whom, where any were."""
    decided = tell_decided(points)
    meaning = _INCOMPLETE if verdict is StageVerdict.INCOMPLETE else ""
    return f"{verdict_words(verdict)}{meaning}" + (f"; {decided}" if decided else "")


def _memory_rows(checked: CheckedStage) -> list[list[str]]:
    """Each memory with its verdict, and what was judged now or where it stands."""
    subjects = {done.memory: done.subject or _REPORTED for done in checked.done}
    rows = [
        [
            safe_text(each.memory),
            "not part" if each.verdict is None else verdict_words(each.verdict),
            safe_text(subjects.get(each.memory) or each.text),
        ]
        for each in checked.memories
    ]
    if None in subjects:
        rows.append(["whole module", "", _REPORTED])
    return rows


def check_document(checked: CheckedStage) -> dict[str, Any]:
    """The stage as the JSON document of ``benchimage check``."""
    return document(
        "check",
        stage=checked.stage.value,
        verdict=checked.verdict.value,
        memories=[
            {"name": each.memory, "verdict": None if each.verdict is None else each.verdict.value}
            for each in checked.memories
        ],
        checks=points_to_facts(_points(checked)),
    )
