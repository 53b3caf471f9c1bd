"""``benchimage blank``: take the donor's identity out of its image."""

from __future__ import annotations

import click

from memtool.cli.next_of_job import say_next_of
from memtool.cli.place import gathered, job_option
from memtool.cli.progress import at_work
from memtool.cli.reading import Reading, all_option, reading_options
from memtool.cli.session import ask, can_ask
from memtool.cli.shared import note, print_json, say, say_next, typed_arguments
from memtool.cli.types import IMAGE, MEMORY_SPAN, PATH
from memtool.core.chip import find_chip
from memtool.core.job.gate import find_mend
from memtool.errors import UsageError
from memtool.formats.codec import ImageFormat
from memtool.render.text import blank_view
from memtool.render.text.next_steps import NextStep, quoted
from memtool.store.writing import make_folder
from memtool.workflow.blank import PreparedAll, prepare_blank
from memtool.workflow.blank_wish import BlankWish, make_requests
from memtool.workflow.blank_writing import write_blank
from memtool.workflow.context import Context, clock

_LARGE = 256 * 1024
"""Bytes of a memory from which on blanking may take a second."""


@click.command(
    "blank",
    epilog="""\b
Examples:
  benchimage blank donor --dry-run
  benchimage blank donor --layout door.toml --out to-write.bin
  benchimage blank donor --vin 11111111111111111
  benchimage blank donor/eeprom --keep 0x0040+4 --reason 'counter'
""",
)
@click.argument("image", metavar="IMAGE", type=IMAGE)
@job_option
@click.option("--layout", type=PATH, help="Reviewed layout; default: the job's.")
@click.option(
    "--vin", multiple=True, help="Without a layout: remove exactly the copies of this VIN."
)
@click.option("--configuration", is_flag=True, help="Overwrite the configuration regions too.")
@click.option("--span", "more", multiple=True, type=MEMORY_SPAN, help="Another span to overwrite.")
@click.option("--keep", multiple=True, type=MEMORY_SPAN, help="A span to keep; needs --reason.")
@click.option(
    "--reason", multiple=True, help="Reason for keeping a span: one per --keep, or one for all."
)
@click.option(
    "--out",
    type=PATH,
    help="File to program (a folder for several memories); default: a numbered name in the job's "
    "folder.",
)
@click.option(
    "--to", type=click.Choice([item.value for item in ImageFormat]), help="Format of the file."
)
@click.option("--dry-run", is_flag=True, help="Show the plan and the rules; write nothing.")
@click.option(
    "--confirm",
    metavar="TEXT",
    help="Last six characters of the VIN to be removed; asked for at a terminal.",
)
@all_option
@reading_options
@gathered(BlankWish, "wish")
def command(
    image: str,
    wish: BlankWish,
    confirm: str | None,
    reading: Reading,
    as_json: bool,
    show_all: bool,
) -> int:
    """Remove the old identity from the donor's image and write a new file.

    IMAGE is 'donor' inside a job: all memories of it with something to remove, planned and
    confirmed together, all written or none. 'donor/NAME' is one of them; or name a file that is
    backed up as the job's donor. With several memories --span and --keep take NAME=SPAN.
    Nothing is written unless every rule allows it; no option gets around a rule.
    """
    context = reading.open()
    with at_work("planning", may_be_long=_may_be_long(context)):
        prepared = prepare_blank(make_requests(context, image, wish), context.store, now=clock())
    if wish.dry_run:
        if as_json:
            print_json(blank_view.plan_document(prepared.results, prepared.passed_over))
        else:
            _show_plan(prepared, show_all=show_all)
        return 1 if any(result.is_refused for result in prepared.results) else 0

    if wish.out is not None and len(prepared.parts) > 1:
        make_folder(wish.out)
    with at_work("blanking", may_be_long=_may_be_long(context)) as work:

        def answer(ready: PreparedAll) -> str:
            if confirm is not None:
                return confirm
            with work.asking():
                return _confirmation(ready)

        blanked = write_blank(prepared, context.store, answer, now=clock())
    if as_json:
        print_json(blank_view.blank_document(blanked.files, prepared.passed_over))
    else:
        answer_lines = blank_view.render_blanked_answer(
            blanked.files, prepared.passed_over, show_all=show_all
        )
        say(answer_lines)
        say_next_of(blanked.opened.job)
        say(f"\n{blank_view.render_proof(blanked.files, show_all=show_all)}")
    return 0


def _show_plan(prepared: PreparedAll, *, show_all: bool) -> None:
    """The plan of a dry run, with what mends it or the same command that writes."""
    say(blank_view.render_plan_answer(prepared.results, prepared.passed_over, show_all=show_all))
    broken = next((step for one in prepared.results if (step := find_mend(one.checks))), None)
    if broken is not None:
        note("Nothing was written.")
        say_next(NextStep(text=broken), in_job=True)
    else:
        again = [word for word in typed_arguments() if word != "--dry-run"]
        say_next(
            NextStep(
                text="nothing was written; to write it",
                commands=(f"benchimage {' '.join(map(quoted, again))}",),
            )
        )
    say(f"\n{blank_view.render_changes(prepared.results, show_all=show_all)}")


def _may_be_long(context: Context) -> bool:
    """Whether a memory of the job is so large that blanking it can take a second."""
    chips = () if context.opened is None else context.opened.job.chips.values()
    known = [chip for each in chips if (chip := find_chip(each)) is not None]
    return any(chip.size >= _LARGE for chip in known)


def _confirmation(ready: PreparedAll) -> str:
    if not can_ask():
        raise UsageError(
            "confirmation is needed, but there is no terminal to ask at",
            code="missing-answer",
            next_step="give --confirm TEXT: the last six characters of the VIN to be removed; if "
            "there is none, or more than one, the first six digits of the plan's digest",
        )
    note(blank_view.render_plan(ready.results, ready.passed_over))
    question, hide = blank_view.confirmation_question(ready.results)
    return ask(question, hide=hide)
