"""Check: pick the read of each memory, or say what a scan tool reports; verdict first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, ClassVar

from textual.binding import Binding

from memtool.core.job.stage import Stage
from memtool.desk.dialogs import Ask
from memtool.desk.picking_files import PickFile
from memtool.desk.results import ResultScreen
from memtool.desk.screen import DeskScreen
from memtool.desk.session import Session
from memtool.render.questions import FRESH_READ, REPORTED_CODES, REPORTED_VIN
from memtool.render.text import check_view
from memtool.render.text.desk_words import tell_one_of_each
from memtool.workflow.check_all import (
    CheckAllRequest,
    CheckedAll,
    asks_for_mileage,
    check_memories,
    fold_reported,
)
from memtool.workflow.context import clock
from memtool.workflow.jobs import OpenJob


class PickRead(PickFile):
    """The read of each memory; after setup the scan tool's word will do as well."""

    BINDINGS: ClassVar[list[Any]] = [Binding("f9", "reported", "Reported by a scan tool")]

    def __init__(self, desk: Session, opened: OpenJob, stage: Stage | None) -> None:
        name = "Read of the module" if stage is None else check_view.STAGE_QUESTIONS[stage]
        memories = opened.job.memories
        hint = tell_one_of_each(memories) if len(memories) > 1 else ""
        super().__init__(desk, name, most=max(1, len(memories)), hint=hint)
        self._opened = opened
        self._stage = stage

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Before setup no scan tool can report anything that counts."""
        if action == "reported":
            return self._stage in (None, Stage.AFTER_SETUP)
        return super().check_action(action, parameters)

    def picked(self, paths: tuple[Path, ...]) -> None:
        """Check them; the files stay for the next try."""
        self._check(names=tuple(map(str, paths)))

    def action_reported(self) -> None:
        """Ask what the scan tool says."""

        def asked(vins: str | None) -> None:
            if vins is not None:
                self.app.push_screen(Ask(REPORTED_CODES), lambda codes: said(vins, codes))

        def said(vins: str, codes: str | None) -> None:
            texts = tuple(fold_reported(text.strip()) for text in vins.split(",") if text.strip())
            if codes is not None and (texts or codes):
                self._check(reported_vins=texts, codes=codes or None)

        self.app.push_screen(Ask(REPORTED_VIN), asked)

    def _check(self, **given: Any) -> None:
        # The result takes the place of the files: from there the way leads back to the job.
        request = CheckAllRequest(opened=self._opened, stage=self._stage, **given)
        check(self, request, in_place=True)


class CheckedScreen(ResultScreen):
    """What a check came to."""

    def with_request(self, request: CheckAllRequest) -> CheckedScreen:
        """The same screen, which knows what was asked."""
        self.request = request
        return self


class FileCheckedScreen(CheckedScreen):
    """Whether a file may be programmed: a fresh read of the module can be given."""

    BINDINGS: ClassVar[list[Any]] = [Binding("f", "fresh", "Fresh read of the module")]

    def action_fresh(self) -> None:
        """The donor was powered since its backup: what does it hold now?"""
        memories = self.request.opened.job.memories
        hint = tell_one_of_each(memories) if len(memories) > 1 else ""

        def picked(paths: tuple[Path, ...] | None) -> None:
            if paths:
                again = replace(
                    self.request,
                    opened=self.desk.job(self.request.opened.folder),
                    targets=tuple(map(str, paths)),
                )
                check(self, again, in_place=True)

        self.app.push_screen(
            PickFile(self.desk, FRESH_READ, most=max(1, len(memories)), hint=hint), picked
        )


def pick_and_check(screen: DeskScreen, opened: OpenJob, stage: Stage | None) -> None:
    """Pick reads of the module, then check them."""
    screen.app.push_screen(PickRead(screen.desk, opened, stage))


def run_check(screen: DeskScreen, opened: OpenJob, stage: Stage | None) -> None:
    """Judge what the stage judges without a read from the person."""
    check(screen, CheckAllRequest(opened=opened, stage=stage))


def check(screen: DeskScreen, request: CheckAllRequest, *, in_place: bool = False) -> None:
    """Judge every memory that is meant; ask for the mileage where the stage needs it.

    Args:
        screen: In front.
        request: What the person gave.
        in_place: Whether the result takes the screen's place.
    """

    def asked(before: str | None) -> None:
        if before is None:
            return
        screen.app.push_screen(
            Ask(check_view.MILEAGE_AFTER), lambda after: _asked_both(before, after)
        )

    def _asked_both(before: str, after: str | None) -> None:
        if after is not None:
            known = replace(request, mileage_before=before or None, mileage_after=after or None)
            _check(screen, known, in_place=in_place)

    if screen.attempt(lambda: asks_for_mileage(request)):
        screen.app.push_screen(Ask(check_view.MILEAGE_BEFORE), asked)
    else:
        _check(screen, request, in_place=in_place)


def _check(screen: DeskScreen, request: CheckAllRequest, *, in_place: bool) -> None:
    def done(checked: CheckedAll) -> None:
        command = screen.desk.tell(*_words(request, checked.stage), job=request.opened.folder)
        points = [point for one in checked.done for point in one.points]
        made = FileCheckedScreen if checked.stage is Stage.BEFORE_WRITING else CheckedScreen
        result = made(
            screen.desk,
            check_view.STAGE_QUESTIONS[checked.stage],
            lambda: check_view.render_check(checked, show_all=True),
            verdict=f"Verdict: {check_view.tell_verdict(checked.verdict, points)}",
            command=command,
            job=request.opened.folder,
        ).with_request(request)
        if in_place:
            screen.app.switch_screen(result)
        else:
            screen.app.push_screen(result)

    screen.work(
        "checking",
        lambda _: check_memories(request, screen.desk.store, now=clock()),
        done,
    )


def _words(request: CheckAllRequest, stage: Stage) -> Sequence[str]:
    """The command that does the same."""
    words = ["check", *request.names, "--stage", stage.value]
    for target in request.targets:
        words += ["--target", target]
    for vin in request.reported_vins:
        words += ["--reported-vin", vin]
    for option, value in (
        ("--codes", request.codes),
        ("--mileage-before", request.mileage_before),
        ("--mileage-after", request.mileage_after),
    ):
        words += [] if value is None else [option, value]
    return words
