"""A new job: the order, one question a screen, then the reads. It can be left and taken up."""

from __future__ import annotations

from pathlib import Path

from memtool.core.texts.vin import CheckDigitState, check_digit_state, fold_typed
from memtool.desk.picking_reads import PickReads
from memtool.desk.questions import QuestionScreen
from memtool.desk.session import Session
from memtool.render.questions import ORDER_QUESTIONS
from memtool.workflow.jobs import free_path
from memtool.workflow.order_facts import facts_of
from memtool.workflow.taking_over import OlderJob

_EXCEPTION = "vin_exception"
_NAMES = [name for name, _ in ORDER_QUESTIONS]


class NewJobScreen(QuestionScreen):
    """The order of a new job; the folder of the job when it is opened."""

    NAME = "New job"

    def __init__(
        self, desk: Session, *, older: OlderJob | None = None, reason: str | None = None
    ) -> None:
        """Make it; with `older` on the reads of that job, for that reason."""
        at = _NAMES.index("vehicle_vin") + 1
        behind = _NAMES.index("module_kind") + 1
        asked = [*_NAMES[:at], _EXCEPTION, *_NAMES[at:behind], "also_holds", *_NAMES[behind:]]
        before: dict[str, str | None]
        before = {name: value or None for name, value in desk.state.draft.items()}
        self._known: dict[str, str | None] = {} if older is None else facts_of(older.order)
        if older is not None:
            before = dict(self._known)
        super().__init__(desk, None, asked, answers=before)
        self._older = older
        self._reason = reason

    def is_due(self, name: str) -> bool:
        """Why a wrong check digit is right is asked where it is wrong; what is known is not."""
        if name in self._known:
            return False
        if name != _EXCEPTION:
            return super().is_due(name)
        vin = fold_typed(self.answers.get("vehicle_vin") or "")
        return len(vin) == 17 and check_digit_state(vin) is CheckDigitState.INVALID

    def answered(self, name: str) -> None:
        """Each answer is kept, so that the person can go on later."""
        if self._older is not None:
            return
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
        screen = PickReads(self.desk, folder, facts, older=self._older, reason=self._reason)
        self.app.push_screen(screen, self._done)

    def _done(self, folder: Path | None) -> None:
        if folder is not None:
            self.dismiss(folder)
