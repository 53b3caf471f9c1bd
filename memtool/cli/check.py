"""``benchimage check``: the stages around a write."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from memtool.cli.next_of_job import say_next_of
from memtool.cli.place import job_option
from memtool.cli.progress import at_work
from memtool.cli.reading import Reading, all_option, reading_options
from memtool.cli.session import ask, can_ask
from memtool.cli.shared import print_json, say, say_next
from memtool.cli.types import IMAGE, PATH
from memtool.core.job.stage import Stage, StageVerdict
from memtool.render.text import check_view
from memtool.render.text.next_view import mend_step
from memtool.workflow.check_all import (
    CheckAllRequest,
    asks_for_mileage,
    check_memories,
    fold_reported,
)
from memtool.workflow.context import clock
from memtool.workflow.layout_choice import require_job_layout


@click.command(
    "check",
    epilog="""\b
Examples:
  benchimage check --stage donor
  benchimage check --stage before-writing
  benchimage check read-back.bin --stage after-writing
  benchimage check finished.bin --stage after-setup
  benchimage check eeprom=finished.bin data-flash=finished-df.bin --stage after-setup
  benchimage check --reported-vin 11111111111111111 --codes none
""",
)
@click.argument("files", metavar="[NAME=]READ...", nargs=-1, type=IMAGE)
@click.option(
    "--stage",
    type=click.Choice([stage.value for stage in Stage]),
    help="Default: inferred from the job and printed.",
)
@click.option(
    "--target",
    "targets",
    metavar="[NAME=]READ",
    multiple=True,
    type=IMAGE,
    help="Fresh read of the module, if it was powered since its backup.",
)
@click.option(
    "--reader-order",
    "reader_orders",
    multiple=True,
    metavar="[NAME=]FORM",
    help="Byte order of the given file, if another reader made it: plain, swapped-16 ...",
)
@click.option("--layout", type=PATH, help="The job's layout file; any other is refused.")
@click.option(
    "--reported-vin", "reported_vins", multiple=True, help="A VIN that a scan tool reported."
)
@click.option("--mileage-before", metavar="TEXT", help="Mileage shown before the work.")
@click.option("--mileage-after", metavar="TEXT", help="Mileage shown after setup.")
@click.option("--codes", metavar="TEXT", help="Codes that a scan tool reported, or 'none'.")
@all_option
@job_option
@reading_options
def command(
    files: tuple[str, ...],
    stage: str | None,
    targets: tuple[str, ...],
    reader_orders: tuple[str, ...],
    layout: Path | None,
    reported_vins: tuple[str, ...],
    codes: str | None,
    mileage_before: str | None,
    mileage_after: str | None,
    reading: Reading,
    as_json: bool,
    show_all: bool,
) -> int:
    """Check the donor, the file to program, and the module after programming and setup.

    READ is a file, or 'to-write' or another name of the job; of several memories NAME=READ,
    where its size does not tell which it is of. Every memory is judged, and the verdict is
    the worst. Every check is recorded.
    """
    context = reading.open()
    opened = context.require_job()
    if layout is not None:
        opened = require_job_layout(opened, layout, now=clock())
    request = CheckAllRequest(
        opened=opened,
        stage=Stage(stage) if stage else None,
        names=files,
        targets=targets,
        reported_vins=tuple(map(fold_reported, reported_vins)),
        codes=codes,
        mileage_before=mileage_before,
        mileage_after=mileage_after,
        chip=context.chip_name,
        options=context.options,
        reader_orders=reader_orders,
    )
    if can_ask() and asks_for_mileage(request):
        before = ask(check_view.MILEAGE_BEFORE, default="")
        after = ask(check_view.MILEAGE_AFTER, default="")
        request = replace(request, mileage_before=before or None, mileage_after=after or None)
    with at_work("checking"):
        checked = check_memories(request, context.store, now=clock())
    if as_json:
        print_json(check_view.check_document(checked))
    else:
        say(check_view.render_check_answer(checked, show_all=show_all))
        failed = tuple(
            each.memory for each in checked.memories if each.verdict is StageVerdict.FAIL
        )
        if checked.verdict is StageVerdict.FAIL:
            step = mend_step(checked.stage, failed, several=checked.has_several)
            say_next(step, in_job=True)
        else:
            say_next_of(checked.opened.job)
        details = check_view.render_check_details(checked)
        if details:
            say(f"\n{details}")
    return 0 if checked.verdict is StageVerdict.PASS else 1
