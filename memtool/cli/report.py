"""``benchimage report``: the customer file."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.progress import at_work
from memtool.cli.session import clock, open_store, require_job
from memtool.cli.shared import PATH, note, output_options, print_json, store_option
from memtool.core.finding import Verdict
from memtool.render import terminal
from memtool.render.html import Paper
from memtool.render.report_json import report_document
from memtool.render.words import count_of, safe_text
from memtool.workflow.report import WrittenReport, write_report


@click.command(
    "report",
    epilog="""\b
Examples:
  benchimage report
  benchimage report --paper letter
  benchimage report --shop --job order-17
""",
)
@click.option("--job", type=PATH, help="Folder of the job, when not standing in it.")
@click.option("--shop", is_flag=True, help="The shop's own copy, with every VIN in full.")
@click.option(
    "--paper",
    type=click.Choice([paper.value for paper in Paper]),
    default=Paper.A4.value,
    help="The sheet to print on; a4 without it.",
)
@click.option("--no-pdf", is_flag=True, help="The page and its JSON alone.")
@store_option
@output_options
def command(
    job: Path | None, shop: bool, paper: str, no_pdf: bool, store: Path | None, as_json: bool
) -> int:
    """Write the customer file: a page, a PDF, and the same facts as JSON.

    The donor's VIN is masked unless --shop. It says what is missing, too.
    """
    with at_work("writing the customer file"):
        written = write_report(
            require_job(job),
            open_store(store),
            is_shop_copy=shop,
            paper=Paper(paper),
            with_pdf=not no_pdf,
            now=clock(),
        )
    if as_json:
        print_json(report_document(written.report))
    else:
        click.echo(_summary(written))
    for text in _notes(written, no_pdf=no_pdf):
        note(safe_text(text))
    note("Next: look at every page, print it, sign it, and hand it over.")
    return 0


def _summary(written: WrittenReport) -> str:
    report = written.report
    width = terminal.terminal_width()
    failed = sum(line.result is Verdict.FAIL for line in report.proof)
    changed = sum(len(edit.span) for change in report.changes for edit in change.edits)
    rows = [("page", str(written.page))]
    if written.pdf is not None:
        rows.append(("pdf", str(written.pdf)))
    rows += [
        ("facts", str(written.json)),
        ("changed", count_of(changed, "byte")),
        ("open", count_of(len(report.open_points), "point")),
    ]
    if failed:
        rows.append(("fail", count_of(failed, "proof line")))
    lines = [terminal.labelled(label, text, width=width) for label, text in rows]
    return "\n".join([terminal.heading(report.result), *lines])


def _notes(written: WrittenReport, *, no_pdf: bool) -> list[str]:
    """What the technician should know before the file is handed over."""
    notes = list(written.pdf_notes)
    if written.no_pdf is not None and not no_pdf:
        notes.append(written.no_pdf)
    shown = [item.name for item in written.report.attachments if item.data is not None]
    if shown and not written.report.is_shop_copy:
        notes.append(
            f"Photos are shown as they are ({', '.join(shown)}):"
            " see that none shows the donor's VIN."
        )
    return notes
