"""``benchimage report``: the customer file."""

from __future__ import annotations

import click

from memtool.cli.place import Place, place_options
from memtool.cli.progress import at_work
from memtool.cli.session import ask, can_ask
from memtool.cli.shared import note, print_json, say, say_next
from memtool.core.job.next_action import find_next
from memtool.core.job.next_kinds import NextKind
from memtool.core.job.stage import Stage
from memtool.render.json.report_json import report_document
from memtool.render.page.html import Paper
from memtool.render.questions import PAGE_ONE_QUESTIONS, find_problem
from memtool.render.text.next_steps import NextStep
from memtool.render.text.next_view import next_step
from memtool.render.text.report_view import notes_on, render_written
from memtool.render.words import safe_text
from memtool.workflow.context import clock
from memtool.workflow.jobs import OpenJob
from memtool.workflow.notes import amend_order
from memtool.workflow.order_facts import make_order
from memtool.workflow.report import write_report


@click.command(
    "report",
    epilog="""\b
Examples:
  benchimage report
  benchimage report --paper letter
  benchimage report --shop --job order-17
""",
)
@click.option("--shop", is_flag=True, help="The shop's own copy, with every VIN in full.")
@click.option(
    "--paper",
    type=click.Choice([paper.value for paper in Paper]),
    default=Paper.A4.value,
    help="Paper size; default a4.",
)
@click.option("--no-pdf", is_flag=True, help="Only the page and its JSON.")
@place_options
def command(shop: bool, paper: str, no_pdf: bool, place: Place, as_json: bool) -> int:
    """Write the customer file: a page, a PDF, and the same facts as JSON.

    The donor's VIN is masked unless --shop. It says what is missing, too.
    """
    context = place.open()
    opened = context.require_job()
    if can_ask() and not (as_json or shop):
        opened = _ask_for_page_one(opened)
    with at_work("writing the customer file"):
        written = write_report(
            opened,
            context.store,
            is_shop_copy=shop,
            paper=Paper(paper),
            with_pdf=not no_pdf,
            now=clock(),
        )
    if as_json:
        print_json(report_document(written.report))
    else:
        say(render_written(written))
    for text in notes_on(written, no_pdf=no_pdf):
        note(safe_text(text))
    _say_next(written.opened)
    return 0


def _ask_for_page_one(opened: OpenJob) -> OpenJob:
    """Ask for what the order lacks once the module was checked after setup."""
    if not any(check.stage is Stage.AFTER_SETUP for check in opened.job.stage_checks):
        return opened
    answers: dict[str, str] = {}
    for name, question in PAGE_ONE_QUESTIONS:
        while getattr(opened.job.order, name) is None and name not in answers:
            answer = ask(question, default="")
            if not answer:
                break
            problem = find_problem(name, answer)
            if problem is not None:
                note(problem)
                continue
            answers[name] = answer
    if not answers:
        return opened
    return amend_order(opened, make_order(answers), now=clock())


def _say_next(opened: OpenJob) -> None:
    """A report is handed over when the job has nothing left; else the job goes on."""
    action = find_next(opened.job)
    if action.kind is NextKind.DONE:
        say_next(NextStep(text="look at every page, print it, sign it, and hand it over"))
        return
    note("The job is not done: this report tells how far it has come.")
    say_next(next_step(action), in_job=True)
