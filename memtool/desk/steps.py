"""What each step of a job opens: asks the person, then runs the workflow's own function."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from memtool.core.job.decisions import Point
from memtool.core.job.events.kinds import StageChecked
from memtool.core.job.events.person_kinds import FunctionTested
from memtool.core.job.next_kinds import NextAction, NextKind
from memtool.core.job.stage import Stage
from memtool.core.job.standing import find_standing, stages_of
from memtool.core.role import Role
from memtool.desk.amend import AmendScreen
from memtool.desk.blank import BlankScreen
from memtool.desk.bytes import BytesScreen
from memtool.desk.check import pick_and_check, run_check
from memtool.desk.dialogs import Ask, Choose
from memtool.desk.layout import LayoutScreen
from memtool.desk.picking_files import PickFile
from memtool.desk.picking_reads import PickReads
from memtool.desk.report import ReportScreen
from memtool.desk.restore import RestoreScreen
from memtool.desk.results import ResultScreen
from memtool.desk.screen import DeskScreen
from memtool.render.questions import find_emptiness
from memtool.render.text import job_view
from memtool.render.text.desk_words import (
    A_NOTE,
    NO_OPEN_POINT,
    WHAT_CAME_OUT,
    WHAT_DECIDED,
    WHAT_SHOWN,
    WHAT_TRIED,
    WHICH_POINT,
)
from memtool.render.text.majority_view import render_majority
from memtool.render.text.overview import Row, stage_of
from memtool.workflow.context import clock
from memtool.workflow.deciding import decide_point
from memtool.workflow.jobs import OpenJob
from memtool.workflow.majority import MajorityDone, decide_majority
from memtool.workflow.notes import add_note, add_test, attach_file

_CHECKS = (NextKind.CHECK_DONOR, NextKind.CHECK_FILE)
_READS = (NextKind.PROGRAM, NextKind.SET_UP, NextKind.RESTORE)


def begin(screen: DeskScreen, opened: OpenJob, step: NextAction) -> None:
    """Begin the next step of the job that the screen shows."""
    kind = step.kind
    if kind in (NextKind.READ, NextKind.READ_AGAIN):
        add_reads(screen, opened)
    elif kind is NextKind.MAJORITY and step.role is not None and step.memory is not None:
        vote(screen, opened, step.role, step.memory)
    elif kind in (NextKind.DRAFT, NextKind.REVIEW):
        work_on_layout(screen, opened, step.memory)
    elif kind is NextKind.COMPLETE_ORDER:
        screen.app.push_screen(AmendScreen(screen.desk, opened.folder, step.missing))
    elif kind in _CHECKS and step.stage is not None:
        run_check(screen, opened, step.stage)
    elif kind is NextKind.BLANK:
        blank(screen, opened, step.layout)
    elif kind in _READS:
        pick_and_check(screen, opened, step.stage)
    elif kind is NextKind.TRY:
        test_on_vehicle(screen)
    elif kind is NextKind.DECIDE:
        decide(screen, opened, None)
    elif kind is NextKind.MEND:
        mend(screen, opened, step)
    else:
        report(screen)


def mend(screen: DeskScreen, opened: OpenJob, step: NextAction) -> None:
    """What can be done after a check that failed: the same check again, on what is new."""
    if step.stage is Stage.DONOR:
        add_reads(screen, opened)
    elif step.stage is Stage.BEFORE_WRITING:
        blank(screen, opened)
    else:
        pick_and_check(screen, opened, step.stage)


def add_reads(screen: DeskScreen, opened: OpenJob) -> None:
    """Pick files, name their roles, back them up."""
    screen.app.push_screen(PickReads(screen.desk, opened.folder))


def blank(screen: DeskScreen, opened: OpenJob, layout: str | None = None) -> None:
    """Plan, prove, confirm, write."""
    screen.app.push_screen(BlankScreen(screen.desk, opened.folder, layout))


def check_read(screen: DeskScreen, opened: OpenJob, stage: Stage | None) -> None:
    """Pick a read and check it at the stage that the job infers."""
    pick_and_check(screen, opened, stage)


def show_bytes(screen: DeskScreen, opened: OpenJob, memory: str | None) -> None:
    """Look at the bytes of one memory's images."""
    screen.app.push_screen(BytesScreen(screen.desk, opened.folder, memory=memory))


def work_on_layout(screen: DeskScreen, opened: OpenJob, memory: str | None) -> None:
    """Draft a layout of one memory, or review the one that is there."""
    screen.app.push_screen(LayoutScreen(screen.desk, opened.folder, memory=memory))


def report(screen: DeskScreen) -> None:
    """Make the customer file."""
    if screen.folder is not None:
        screen.app.push_screen(ReportScreen(screen.desk, screen.folder))


def give_back(screen: DeskScreen) -> None:
    """Give a backup of the job back."""
    screen.app.push_screen(RestoreScreen(screen.desk, screen.folder))


def show_record(screen: DeskScreen, opened: OpenJob) -> None:
    """The order and its journal."""
    command = screen.desk.tell("job", "show", job=opened.folder)
    view = partial(job_view.render_job, str(opened.folder), opened.job)
    screen.app.push_screen(
        ResultScreen(screen.desk, "Order and record", view, command=command, job=opened.folder)
    )


def vote(screen: DeskScreen, opened: OpenJob, role: Role, memory: str) -> None:
    """Put each byte of reads that differ to the vote."""
    several = len(opened.job.memories) > 1
    which = f"{role.value}/{memory}" if several else role.value

    def show(done: MajorityDone) -> None:
        command = screen.desk.tell("job", "majority", which, job=opened.folder)
        screen.app.push_screen(
            ResultScreen(
                screen.desk,
                "Majority",
                lambda: render_majority(done),
                command=command,
                job=opened.folder,
            )
        )

    screen.work(
        "putting each byte to the vote",
        lambda _: decide_majority(opened, screen.desk.store, role, memory, now=clock()),
        show,
    )


def open_points(opened: OpenJob, at: tuple[Row, str] | None) -> list[tuple[StageChecked, Point]]:
    """Points that a person has still to decide; those under the cursor alone, if it is on some."""
    found: list[tuple[StageChecked, Point]] = []
    for stage in stages_of(opened.job):
        for memory in opened.job.memories:
            standing = find_standing(opened.job, stage, memory)
            if standing is None or standing.changed:
                continue
            points = [point for point in standing.points if point.is_open]
            if at is not None and points and (stage_of(at[0]), at[1]) == (stage, memory):
                return [(standing.check, point) for point in points]
            known = [check.number for check, _ in found]
            if standing.check.number not in known:
                found += [(standing.check, point) for point in points]
    return found


def decide(screen: DeskScreen, opened: OpenJob, at: tuple[Row, str] | None) -> None:
    """Decide one of the open points."""
    points = open_points(opened, at)
    if not points:
        screen.say(NO_OPEN_POINT)
        return

    def chosen(number: int | None) -> None:
        if number is not None:
            _ask_decision(screen, opened, *points[number])

    if len(points) == 1:
        chosen(0)
    else:
        rows = [f"{point.label}: {point.check.text}" for _, point in points]
        screen.app.push_screen(Choose(WHICH_POINT, rows), chosen)


def _ask_decision(screen: DeskScreen, opened: OpenJob, checked: StageChecked, point: Point) -> None:
    def answered(text: str | None) -> None:
        if text is None:
            return
        done = screen.attempt(
            lambda: decide_point(
                opened,
                screen.desk.store,
                point.label,
                text,
                name=None,
                stage=checked.stage,
                now=clock(),
            )
        )
        if done is not None:
            words = ("job", "decide", point.label, text, "--stage", checked.stage.value)
            screen.desk.tell(*words, job=opened.folder)
            screen.refill()

    screen.app.push_screen(
        Ask(
            f"You decide: {point.label}",
            more=f"{point.check.text} {WHAT_DECIDED}",
            fault=find_emptiness,
        ),
        answered,
    )


def note(screen: DeskScreen) -> None:
    """Put a sentence into the record."""

    def answered(text: str | None) -> None:
        folder = screen.folder
        if text is None or folder is None:
            return
        made = screen.attempt(lambda: add_note(screen.desk.job(folder), text, now=clock()))
        if made is not None:
            screen.desk.tell("job", "note", text, job=folder)
            screen.refill()

    screen.app.push_screen(Ask(A_NOTE, fault=find_emptiness), answered)


def attach(screen: DeskScreen) -> None:
    """Put a file into the record: a photo of a label, codes before and after."""

    def picked(paths: tuple[Path, ...] | None) -> None:
        if paths:
            screen.app.push_screen(
                Ask(WHAT_SHOWN, more=str(paths[0])), partial(captioned, paths[0])
            )

    def captioned(path: Path, caption: str | None) -> None:
        folder = screen.folder
        if caption is None or folder is None:
            return
        made = screen.attempt(
            lambda: attach_file(screen.desk.job(folder), path, caption=caption or None, now=clock())
        )
        if made is not None:
            more = ("--caption", caption) if caption else ()
            screen.desk.tell("job", "attach", str(path), *more, job=folder)
            screen.refill()

    screen.app.push_screen(PickFile(screen.desk, "Photo or file"), picked)


def test_on_vehicle(screen: DeskScreen) -> None:
    """Put on record what was tried on the vehicle."""

    def answered(text: str | None) -> None:
        if text is not None:
            screen.app.push_screen(Choose(WHAT_CAME_OUT, ("ok", "not ok")), partial(judged, text))

    def judged(text: str, number: int | None) -> None:
        folder = screen.folder
        if number is None or folder is None:
            return
        test = FunctionTested(text=text, ok=number == 0)
        made = screen.attempt(lambda: add_test(screen.desk.job(folder), test, now=clock()))
        if made is not None:
            result = "not-ok" if number else "ok"
            screen.desk.tell("job", "test", text, "--result", result, job=folder)
            screen.refill()

    screen.app.push_screen(Ask(WHAT_TRIED, fault=find_emptiness), answered)
