"""``benchimage report``: the customer file."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.session import clock, require_job
from memtool.cli.shared import PATH, note, output_options, print_json
from memtool.core.finding import Verdict
from memtool.render import terminal
from memtool.render.report_json import report_document
from memtool.render.words import count_of, safe_text
from memtool.workflow.report import write_report


@click.command(
    "report",
    epilog="""\b
Examples:
  benchimage report
  benchimage report --shop --job order-17
""",
)
@click.option("--job", type=PATH, help="Folder of the job, when not standing in it.")
@click.option("--shop", is_flag=True, help="The shop's own copy, with every VIN in full.")
@output_options
def command(job: Path | None, shop: bool, as_json: bool) -> int:
    """Write the customer file: one HTML page, and the same facts as JSON.

    The donor's VIN is masked unless --shop. It says what is missing, too.
    """
    written = write_report(require_job(job), is_shop_copy=shop, now=clock())
    report = written.report
    if as_json:
        print_json(report_document(report))
        note(f"Written: {safe_text(str(written.page))} and {safe_text(written.json.name)}")
        return 0
    width = terminal.terminal_width()
    failed = sum(line.result is Verdict.FAIL for line in report.proof)
    click.echo(terminal.heading(report.result))
    click.echo(terminal.labelled("page", str(written.page), width=width))
    click.echo(terminal.labelled("facts", str(written.json), width=width))
    changed = sum(len(edit.span) for change in report.changes for edit in change.edits)
    click.echo(terminal.labelled("changed", count_of(changed, "byte"), width=width))
    click.echo(terminal.labelled("open", count_of(len(report.open_points), "point"), width=width))
    if failed:
        click.echo(terminal.labelled("fail", count_of(failed, "proof line"), width=width))
    note("Next: look at the page, print it, sign it, and hand it over.")
    return 0
