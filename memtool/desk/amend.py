"""What an order lacks, asked one after the other and put on record."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from memtool.core.job.start import StartView
from memtool.desk.questions import QuestionScreen
from memtool.desk.session import Session
from memtool.render.questions import ORDER_QUESTIONS, PAGE_ONE_QUESTIONS
from memtool.workflow.context import clock
from memtool.workflow.order_facts import make_order, option_words
from memtool.workflow.start import StartRequest, start_job


class AmendScreen(QuestionScreen):
    """Asks for facts that the order lacks."""

    NAME = "Complete the order"

    def __init__(
        self, desk: Session, job: Path, missing: Sequence[str], *, must: bool = True
    ) -> None:
        """Make it; with `must` no question may stay open."""
        known = (*ORDER_QUESTIONS, *PAGE_ONE_QUESTIONS)
        asked = [name for name, _ in known if name in missing]
        super().__init__(desk, job, asked, needed=asked if must else ())
        self.job_folder = job

    def finish(self) -> None:
        """All was answered: put it on record."""
        answers = self.answers
        if not any(answers.values()):
            self.dismiss(None)
            return
        order = self.attempt(lambda: make_order(answers))
        if order is None:
            return
        request = StartRequest(folder=self.job_folder, order=order)
        self.work(
            "putting it on record",
            lambda _: start_job(request, self.desk.store, now=clock()),
            self._done,
        )

    def _done(self, view: StartView) -> None:
        self.desk.tell("start", *option_words(self.answers), job=self.job_folder)
        self.dismiss(None)
