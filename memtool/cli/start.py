"""``benchimage start``: open a job, back every read up, look at both modules."""

from __future__ import annotations

from pathlib import Path

import click

from memtool.cli.progress import at_work
from memtool.cli.session import ask, can_ask, clock, open_store, read_options
from memtool.cli.shared import PATH, note, print_json, reading_options
from memtool.core.backup import Role
from memtool.core.chip import find_chip
from memtool.core.identity.vin import parse_vin
from memtool.core.job import Order
from memtool.core.layouts.layout import ModuleKind
from memtool.errors import UsageError
from memtool.render import start_view
from memtool.render.start_page import render_start_page
from memtool.render.words import safe_text
from memtool.store.layout_files.layouts import read_layout
from memtool.workflow.jobs import JOURNAL, open_job, stamp
from memtool.workflow.loading import load_read
from memtool.workflow.pages import require_free, write_page
from memtool.workflow.start import StartRequest, start_job

_QUESTIONS = (
    ("work_order", "Work order number"),
    ("vehicle_vin", "VIN of the vehicle (from its plate and papers)"),
    ("module_kind", f"Kind of module ({', '.join(ModuleKind)})"),
    ("authority", "Proof of ownership and written order (who, what, when)"),
    ("complaint", "Complaint"),
    ("original_part", "Part number of the original module"),
    ("donor_part", "Part number of the donor module"),
    ("donor_source", "Where the donor came from"),
    ("technician", "Technician"),
)
_MAY_STAY_EMPTY = {"complaint", "original_part", "donor_part", "donor_source", "authority"}


@click.command(
    "start",
    epilog="""\b
Examples:
  benchimage start --job order-17 --chip 95160 \\
    --original o1.bin --original o2.bin --donor d1.bin --donor d2.bin \\
    --vehicle-vin 11111111111111111 --module-kind body --authority 'order 17, signed'
  benchimage start --job order-17 --donor d3.bin --donor d4.bin --chip 95160
""",
)
@click.option("--job", type=PATH, help="Folder of the job; made when new.")
@click.option("--original", multiple=True, type=PATH, help="A read of the failed module.")
@click.option("--donor", multiple=True, type=PATH, help="A read of the used module.")
@click.option("--reference", multiple=True, type=PATH, help="A read of a never-configured module.")
@click.option("--layout", type=PATH, help="Layout file of this module family.")
@click.option("--html", type=PATH, metavar="FILE", help="Write the view as one page, too.")
@click.option("--work-order", help="Number of the work order.")
@click.option("--vehicle-vin", help="VIN of the vehicle that the module is for.")
@click.option("--module-kind", type=click.Choice([kind.value for kind in ModuleKind]))
@click.option("--authority", help="Proof of ownership and the written order.")
@click.option("--complaint", help="What the customer complains of.")
@click.option("--original-part", help="Part number on the failed module.")
@click.option("--donor-part", help="Part number on the used module.")
@click.option("--donor-source", help="Where the used module came from.")
@click.option("--technician", help="Who does the work.")
@click.option("--single-read", metavar="REASON", help="Why there is only one read.")
@click.option("--original-unreadable", metavar="REASON", help="Why the original cannot be read.")
@click.option(
    "--reseated/--not-reseated",
    default=None,
    help="Was the clip taken off and put on again between the reads?",
)
@reading_options
def command(
    job: Path | None,
    original: tuple[Path, ...],
    donor: tuple[Path, ...],
    reference: tuple[Path, ...],
    layout: Path | None,
    html: Path | None,
    single_read: str | None,
    original_unreadable: str | None,
    reseated: bool | None,
    read_format: str | None,
    overlap: str | None,
    chip: str | None,
    base: int,
    store: Path | None,
    as_json: bool,
    **facts: str | None,
) -> int:
    """Open a job: record the order, back every read up, look at both modules.

    Run it again with the same --job to add reads or facts.
    """
    require_free(html)
    asking = can_ask() and not as_json
    chip = _table_name(chip)
    if job is None:
        if not asking:
            raise UsageError(
                "the job's folder is not named", code="missing-answer", next_step="give --job DIR"
            )
        job = Path(ask("Folder of the job"))
    is_new = not (job / JOURNAL).exists()
    options = read_options(read_format, base=base, overlap=overlap)
    roles = {Role.ORIGINAL: original, Role.DONOR: donor, Role.REFERENCE: reference}
    reads = {
        role: tuple(load_read(path, options) for path in paths) for role, paths in roles.items()
    }
    if chip is None and layout is not None:
        chip = _table_name(read_layout(layout).layout.chip)
    if chip is None and any(reads.values()):
        known = {kept.chip for kept in open_job(job).job.reads} if not is_new else set()
        if len(known) == 1:
            chip = known.pop()
        elif asking:
            chip = _table_name(ask("Memory chip, for example 95160"))
    if asking and is_new:
        facts = _ask_for_missing(facts)
    single = any(len(items) == 1 for items in reads.values())
    if single and single_read is None and asking:
        single_read = ask("Why is there only one read", default="") or None
    several = any(len(items) > 1 for items in reads.values())
    if several and reseated is None and asking:
        reseated = click.confirm("Was the clip taken off and put on between the reads", err=True)
    backups = open_store(store)
    request = StartRequest(
        folder=job,
        order=_order(facts),
        reads=reads,
        chip=chip,
        layout=layout,
        single_read_reason=single_read,
        original_unreadable=original_unreadable,
        reseated=None if reseated is None else ("yes" if reseated else "no"),
    )
    now = clock()
    with at_work("looking at both modules"):
        view = start_job(request, backups, now=now)
        if html is not None:
            write_page(html, render_start_page(view, as_of=stamp(now)))
    if html is not None:
        note(f"Written: {safe_text(str(html))}; it opens in any browser, without network.")
    if as_json:
        print_json(start_view.start_document(view))
    else:
        click.echo(start_view.render_start(view))
        note(f"Next: {start_view.next_step(view)}")
    return 1 if start_view.speaks_against(view) else 0


def _table_name(chip: str | None) -> str | None:
    """The chip as the table calls it, so that the same reads make the same backup."""
    known = find_chip(chip) if chip else None
    return known.name if known else chip


def _ask_for_missing(facts: dict[str, str | None]) -> dict[str, str | None]:
    answers = dict(facts)
    for name, question in _QUESTIONS:
        while answers.get(name) is None:
            default = "" if name in _MAY_STAY_EMPTY else None
            answer = ask(question, default=default)
            if not answer and name in _MAY_STAY_EMPTY:
                break
            problem = _problem(name, answer)
            if problem:
                note(problem)
            else:
                answers[name] = answer
    return answers


def _problem(name: str, answer: str) -> str | None:
    if name == "module_kind" and answer not in list(ModuleKind):
        return f"Choose one of: {', '.join(ModuleKind)}."
    if name == "vehicle_vin":
        try:
            parse_vin(answer)
        except ValueError as error:
            return f"{error}."
    return None


def _order(facts: dict[str, str | None]) -> Order:
    vin = facts.get("vehicle_vin")
    if vin is not None:
        try:
            parse_vin(vin)
        except ValueError as error:
            raise UsageError(
                f"--vehicle-vin: {error}", code="vin", next_step="type it as on the plate"
            ) from error
    kind = facts.get("module_kind")
    return Order(
        work_order=facts.get("work_order"),
        vehicle_vin=vin,
        module_kind=ModuleKind(kind) if kind else None,
        authority=facts.get("authority") or None,
        complaint=facts.get("complaint"),
        original_part=facts.get("original_part"),
        donor_part=facts.get("donor_part"),
        donor_source=facts.get("donor_source"),
        technician=facts.get("technician"),
    )
