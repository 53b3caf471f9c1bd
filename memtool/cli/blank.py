"""``benchimage blank``: take the donor's identity out of its image."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.session import ask, can_ask, clock, current_job, open_store, read_options
from memtool.cli.shared import PATH, SPAN, note, print_json, reading_options
from memtool.core.identity.vin import parse_vin
from memtool.core.job import KeptSpan
from memtool.core.span import Span
from memtool.errors import UsageError
from memtool.formats.codec import ImageFormat
from memtool.render import blank_view
from memtool.workflow.blank import BlankOrder, Prepared, prepare_blank, write_blank
from memtool.workflow.jobs import load_named
from memtool.workflow.layout_choice import choose_layout


@click.command(
    "blank",
    epilog="""\b
Examples:
  benchimage blank donor --dry-run
  benchimage blank donor --layout door.toml --out to-write.bin
  benchimage blank donor --vin 11111111111111111
""",
)
@click.argument("image", metavar="IMAGE")
@click.option("--job", type=PATH, help="Folder of the job, when not standing in it.")
@click.option("--layout", type=PATH, help="Reviewed layout; otherwise the job's.")
@click.option("--vin", help="Without a layout: blank exactly the copies of this VIN.")
@click.option("--configuration", is_flag=True, help="Blank the configuration regions too.")
@click.option("--span", "more", multiple=True, type=SPAN, help="A further span to blank.")
@click.option("--keep", multiple=True, type=SPAN, help="A span that stays; needs --reason.")
@click.option("--reason", multiple=True, help="Why a kept span stays; one for each, or one.")
@click.option("--out", type=PATH, help="File to write; otherwise numbered in the job's folder.")
@click.option(
    "--to", type=click.Choice([item.value for item in ImageFormat]), help="Format of the file."
)
@click.option("--dry-run", is_flag=True, help="Show the plan and the rules; write nothing.")
@click.option(
    "--confirm",
    metavar="TEXT",
    help="Last six characters of the identity that goes; asked for at a terminal.",
)
@reading_options
def command(
    image: str,
    job: Path | None,
    layout: Path | None,
    vin: str | None,
    configuration: bool,
    more: tuple[Span, ...],
    keep: tuple[Span, ...],
    reason: tuple[str, ...],
    out: Path | None,
    to: str | None,
    dry_run: bool,
    confirm: str | None,
    read_format: str | None,
    overlap: str | None,
    chip: str | None,
    base: int,
    store: Path | None,
    as_json: bool,
) -> int:
    """Blank the donor's identity in its image and write a new file.

    IMAGE is 'donor' inside a job, or a file that is backed up as the job's donor.
    Nothing is written unless every rule allows it; no option gets around a rule.
    """
    opened = current_job(job)
    backups = open_store(store)
    options = read_options(read_format, base=base, overlap=overlap)
    loaded = load_named(image, options, opened=opened, store=backups, chip=chip)
    kept = (
        []
        if opened is None
        else [item for item in opened.job.reads if item.sha256 == loaded.image.sha256()]
    )
    choice = None
    if vin is None:
        choice = choose_layout(
            None,
            named=layout,
            opened=opened,
            chip=chip or (kept[-1].chip if kept else None),
        )
    elif layout is not None:
        raise UsageError(
            "--vin goes alone, without --layout",
            code="usage",
            next_step="give the layout, or the VIN",
        )
    order = BlankOrder(
        loaded=loaded,
        opened=opened,
        layout=choice.loaded if choice else None,
        vin=_vin(vin),
        configuration=configuration,
        more=more,
        keep=_kept_spans(keep, reason),
        out=out,
        format=ImageFormat(to) if to else None,
        dry_run=dry_run,
    )
    if order.layout is None and (configuration or more):
        raise UsageError(
            "--span and --configuration need a layout that shows what is protected",
            code="usage",
            next_step="give --layout FILE",
        )
    prepared = prepare_blank(order, backups)
    if dry_run:
        if as_json:
            print_json(blank_view.plan_document(prepared.result))
        else:
            click.echo(blank_view.render_plan(prepared.result))
            note("Nothing was written. Next: run it again without --dry-run.")
        return 1 if blank_view.is_refused(prepared.result) else 0

    def answer(ready: Prepared) -> str:
        if confirm is not None:
            return confirm
        if not can_ask():
            raise UsageError(
                "nobody is here to confirm",
                code="missing-answer",
                next_step="give --confirm TEXT: the last six characters of the identity that"
                " goes, or without one the first six digits of the image's hash",
            )
        note(blank_view.render_plan(ready.result))
        return ask("Type the last six characters of the identity that goes", hide=True)

    blanked = write_blank(prepared, backups, answer, now=clock())
    if as_json:
        print_json(blank_view.blank_document(blanked))
    else:
        click.echo(blank_view.render_blanked(blanked))
        note("Next: benchimage check --stage before-writing")
    return 0


def _vin(text: str | None) -> str | None:
    if text is None:
        return None
    try:
        return parse_vin(text).text
    except ValueError as error:
        raise UsageError(
            f"--vin: {error}", code="vin", next_step="see 'benchimage inspect donor'"
        ) from error


def _kept_spans(spans: tuple[Span, ...], reasons: tuple[str, ...]) -> tuple[KeptSpan, ...]:
    if spans and len(reasons) == 1:
        reasons = reasons * len(spans)
    if len(spans) != len(reasons) or not all(reason.strip() for reason in reasons):
        raise UsageError(
            f"{len(spans)} --keep and {len(reasons)} --reason do not go together",
            code="usage",
            next_step="give each kept span a reason, or one reason for all",
        )
    return tuple(
        KeptSpan(span=span, reason=reason) for span, reason in zip(spans, reasons, strict=True)
    )
