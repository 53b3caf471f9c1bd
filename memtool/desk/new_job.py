"""A new job: the order, one question a screen, then the reads. It can be left and taken up."""

from __future__ import annotations

from pathlib import Path

from memtool.core.texts.vin import CheckDigitState, check_digit_state, fold_typed
from memtool.desk.picking_reads import PickReads
from memtool.desk.questions import QuestionScreen
from memtool.desk.session import Session
from memtool.render.questions import ORDER_QUESTIONS
from memtool.workflow.jobs import free_path

_EXCEPTION = "vin_exception"
_NAMES = [name for name, _ in ORDER_QUESTIONS]


class NewJobScreen(QuestionScreen):
    """The order of a new job; the folder of the job when it is opened."""

    NAME = "New job"

    def __init__(self, desk: Session) -> None:
        at = _NAMES.index("vehicle_vin") + 1
        asked = [*_NAMES[:at], _EXCEPTION, *_NAMES[at:]]
        before = {name: value or None for name, value in desk.state.draft.items()}
        super().__init__(desk, None, asked, answers=before)

    def is_due(self, name: str) -> bool:
        """Why a wrong check digit is right is asked where it is wrong."""
        if name != _EXCEPTION:
            return super().is_due(name)
        vin = fold_typed(self.answers.get("vehicle_vin") or "")
        return len(vin) == 17 and check_digit_state(vin) is CheckDigitState.INVALID

    def answered(self, name: str) -> None:
        """Each answer is kept, so that the person can go on later."""
        answers = {key: value or "" for key, value in self.answers.items()}
        if name == "technician" and answers[name]:
            self.desk.remember(technician=answers[name])
        self.desk.keep_draft(answers)

    def finish(self) -> None:
        """The order is complete; now the reads."""
        facts = {name: value for name, value in self.answers.items() if value is not None}
        number = facts.get("work_order", "")
        stem = "".join(each if each.isalnum() else "-" for each in number).strip("-")
        folder = (
            self.desk.folder / f"order-{stem}" if stem else free_path(self.desk.folder, "order", "")
        )
        if folder.exists():
            folder = free_path(self.desk.folder, folder.name, "")
        self.app.push_screen(PickReads(self.desk, folder, facts), self._done)

    def _done(self, folder: Path | None) -> None:
        if folder is not None:
            self.dismiss(folder)
