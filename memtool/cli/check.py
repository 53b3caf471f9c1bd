"""``benchimage check``: the four stages around a write."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.progress import at_work
from memtool.cli.session import clock, open_store, read_options, require_job
from memtool.cli.shared import PATH, note, print_json, reading_options
from memtool.core.job import Stage, StageVerdict
from memtool.render import check_view
from memtool.workflow.check import CheckOrder, check_stage
from memtool.workflow.jobs import only_chip
from memtool.workflow.layout_choice import choose_layout


@click.command(
    "check",
    epilog="""\b
Examples:
  benchimage check --stage donor
  benchimage check --stage before-writing
  benchimage check read-back.bin --stage after-writing
  benchimage check finished.bin --stage after-setup
  benchimage check --reported-vin 11111111111111111 --codes none
""",
)
@click.argument("file", required=False)
@click.option("--job", type=PATH, help="Folder of the job, when not standing in it.")
@click.option(
    "--stage",
    type=click.Choice([stage.value for stage in Stage]),
    help="Otherwise inferred from the job, and said.",
)
@click.option("--target", metavar="READ", help="Fresh read of the module, if powered since.")
@click.option("--layout", type=PATH, help="Layout file; otherwise the job's.")
@click.option(
    "--reported-vin", "reported_vins", multiple=True, help="A VIN that a scan tool reported."
)
@click.option("--codes", metavar="TEXT", help="Codes that a scan tool reported, or 'none'.")
@reading_options
def command(
    file: str | None,
    job: Path | None,
    stage: str | None,
    target: str | None,
    layout: Path | None,
    reported_vins: tuple[str, ...],
    codes: str | None,
    read_format: str | None,
    overlap: str | None,
    chip: str | None,
    base: int,
    store: Path | None,
    as_json: bool,
) -> int:
    """Check donor, file to write, read-back, and finished module.

    FILE is a read, or 'to-write' or another name of the job. Every check is recorded.
    """
    opened = require_job(job)
    backups = open_store(store)
    chip = only_chip(opened, chip)
    choice = choose_layout(None, named=layout, opened=opened, chip=chip)
    with at_work("checking"):
        checked = check_stage(
            CheckOrder(
                opened=opened,
                stage=Stage(stage) if stage else None,
                name=file,
                target=target,
                reported_vins=reported_vins,
                codes=codes,
                layout=choice.loaded.layout if choice.loaded else None,
                chip=chip,
                options=read_options(read_format, base=base, overlap=overlap),
            ),
            backups,
            now=clock(),
        )
    if as_json:
        print_json(check_view.check_document(checked.stage, checked.checks, checked.verdict))
    else:
        click.echo(
            check_view.render_check(
                checked.stage,
                inferred=checked.inferred,
                subject=checked.subject,
                checks=checked.checks,
                verdict=checked.verdict,
            )
        )
        note(f"Next: {check_view.next_step(checked.stage, checked.verdict)}")
    return 0 if checked.verdict is StageVerdict.PASS else 1
