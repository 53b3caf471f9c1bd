"""Check: pick the read of each memory, verdict first."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from memtool.core.job.stage import Stage
from memtool.desk.dialogs import Ask
from memtool.desk.picking_files import PickFile
from memtool.desk.results import ResultScreen
from memtool.desk.screen import DeskScreen
from memtool.render.text import check_view
from memtool.workflow.check_all import CheckAllRequest, CheckedAll, asks_for_mileage, check_memories
from memtool.workflow.context import clock
from memtool.workflow.jobs import OpenJob


def pick_and_check(screen: DeskScreen, opened: OpenJob, stage: Stage | None) -> None:
    """Pick reads of the module, then check them."""

    def picked(paths: tuple[Path, ...] | None) -> None:
        if paths:
            run_check(screen, opened, stage, tuple(map(str, paths)))

    name = "Read of the module" if stage is None else check_view.STAGE_QUESTIONS[stage]
    most = max(1, len(opened.job.memories))
    screen.app.push_screen(PickFile(screen.desk, name, most=most), picked)


def run_check(
    screen: DeskScreen, opened: OpenJob, stage: Stage | None, names: tuple[str, ...]
) -> None:
    """Judge every memory that is meant; ask for the mileage where the stage needs it."""
    request = CheckAllRequest(opened=opened, stage=stage, names=names)

    def asked(before: str | None) -> None:
        if before is None:
            return
        screen.app.push_screen(
            Ask(check_view.MILEAGE_AFTER), lambda after: _asked_both(before, after)
        )

    def _asked_both(before: str, after: str | None) -> None:
        if after is not None:
            _check(
                screen,
                replace(request, mileage_before=before or None, mileage_after=after or None),
            )

    if screen.attempt(lambda: asks_for_mileage(request)):
        screen.app.push_screen(Ask(check_view.MILEAGE_BEFORE), asked)
    else:
        _check(screen, request)


def _check(screen: DeskScreen, request: CheckAllRequest) -> None:
    def done(checked: CheckedAll) -> None:
        words = ["check", *request.names, "--stage", checked.stage.value]
        for option, value in (
            ("--mileage-before", request.mileage_before),
            ("--mileage-after", request.mileage_after),
        ):
            words += [] if value is None else [option, value]
        points = [point for one in checked.done for point in one.points]
        screen.app.push_screen(
            ResultScreen(
                screen.desk,
                check_view.STAGE_QUESTIONS[checked.stage],
                lambda: check_view.render_check(checked),
                verdict=f"Verdict: {check_view.tell_verdict(checked.verdict, points)}",
                command=screen.desk.tell(*words, job=request.opened.folder),
                job=request.opened.folder,
            )
        )

    screen.work(
        "checking",
        lambda _: check_memories(request, screen.desk.store, now=clock()),
        done,
    )
