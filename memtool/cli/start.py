"""``benchimage start``: open a job, back every read up, look at both modules."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import click

from memtool.cli.place import gathered
from memtool.cli.progress import at_work
from memtool.cli.reading import Reading, all_option, note_broken, reading_options
from memtool.cli.session import ask, can_ask
from memtool.cli.shared import fitted, is_here, note, print_json, say, say_next
from memtool.cli.start_questions import Questions
from memtool.cli.types import MEMORY, MEMORY_SPAN, PATH, require_reader_order
from memtool.core.chip import Chip
from memtool.core.job.assigning import split_named
from memtool.core.job.order import AlsoHolds, OldModule, Order
from memtool.core.job.start import StartView
from memtool.core.layouts.layout import ModuleKind
from memtool.core.names import JOURNAL
from memtool.core.role import Role
from memtool.core.span import Span
from memtool.errors import UsageError
from memtool.render.json import start_json
from memtool.render.late import start_page
from memtool.render.questions import RESEATED
from memtool.render.text import start_steps, start_view
from memtool.render.words import safe_text
from memtool.workflow.context import clock, open_context
from memtool.workflow.finding_jobs import find_elsewhere
from memtool.workflow.given_reads import is_several, is_single
from memtool.workflow.job_folders import current_folder, find_job_folder
from memtool.workflow.jobs import name_of_chip, open_job, stamp
from memtool.workflow.loading import load_read
from memtool.workflow.order_facts import make_order, require_telling
from memtool.workflow.pages import page_file
from memtool.workflow.places import find_store, open_store
from memtool.workflow.reader_orders import SettledOrder
from memtool.workflow.remembering import ID_LENGTH
from memtool.workflow.start import (
    GivenRead,
    StartRequest,
    find_chips,
    list_unsure_orders,
    require_one_file_a_read,
    start_job,
)
from memtool.workflow.taking_over import open_older
from memtool.workflow.writing import require_free


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadsSaid:
    """What the options say about the reads, as they were typed."""

    original: tuple[str, ...]
    donor: tuple[str, ...]
    reference: tuple[str, ...]
    sitting: str | None
    replaces: tuple[str, ...]
    reader_order: tuple[str, ...]
    not_read: tuple[tuple[str | None, Span], ...]
    single_read: tuple[str, ...]
    original_unreadable: tuple[str, ...]
    reseated: bool | None


@click.command(
    "start",
    epilog="""\b
Examples:
  benchimage start --job order-17 --chip 95160 \\
    --original o1.bin --original o2.bin --donor d1.bin --donor d2.bin \\
    --vehicle-vin 11111111111111111 --module-kind body --authority 'order 17, signed'
  benchimage start --job order-17 --memory eeprom=95160 --memory data-flash=64K \\
    --donor eeprom=d1.bin --donor data-flash=df1.bin
  benchimage start --job order-17 --donor d3.bin
""",
)
@click.option("--job", type=PATH, help="Job folder; created if new.")
@click.option(
    "--memory",
    multiple=True,
    type=MEMORY,
    metavar="NAME=CHIP",
    help="A memory of the module, e.g. eeprom=95160; repeat for each.",
)
@click.option(
    "--original", multiple=True, metavar="[NAME=]READ", help="A read of the failed module."
)
@click.option("--donor", multiple=True, metavar="[NAME=]READ", help="A read of the used module.")
@click.option(
    "--reference",
    multiple=True,
    metavar="[NAME=]READ",
    help="A read of a never-configured module.",
)
@click.option("--layout", multiple=True, type=PATH, help="Layout file; one for each memory.")
@click.option(
    "--sitting", metavar="TEXT", help="The module was powered since the earlier reads: count anew."
)
@click.option(
    "--replaces", multiple=True, metavar="READ", help="Withdraw this earlier read; needs --reason."
)
@click.option(
    "--reader-order",
    multiple=True,
    metavar="NAME=FORM",
    help="Byte order of your reader's files of that memory, if not plain: swapped-16 ...",
)
@click.option(
    "--not-read",
    multiple=True,
    type=MEMORY_SPAN,
    metavar="[NAME=]SPAN",
    help="An area not read by your reader: not empty, but unknown.",
)
@click.option(
    "--from",
    "older",
    type=PATH,
    metavar="DIR",
    help="Start with the reads of an older job; those of a finished job are the baseline.",
)
@click.option(
    "--reason",
    metavar="TEXT",
    help="Reason for --replaces, --not-read, --from or a changed VIN.",
)
@click.option(
    "--vin-exception",
    metavar="REASON",
    help="Reason why a VIN with a wrong check digit is correct.",
)
@click.option(
    "--also-holds",
    multiple=True,
    type=click.Choice([word.value for word in AlsoHolds]),
    help="What else the module holds; repeatable.",
)
@click.option("--html", type=PATH, metavar="FILE", help="Also write an HTML page.")
@click.option("--work-order", help="Number of the work order.")
@click.option("--customer", help="Name of the customer.")
@click.option("--plate", help="Registration plate of the vehicle.")
@click.option("--vehicle-vin", help="VIN of the vehicle that the module is for.")
@click.option("--module-kind", type=click.Choice([kind.value for kind in ModuleKind]))
@click.option("--authority", help="Proof of ownership and the written order.")
@click.option("--complaint", help="The customer's complaint.")
@click.option("--original-part", help="Part number on the failed module.")
@click.option("--donor-part", help="Part number on the used module.")
@click.option("--original-serial", help="Serial number on the failed module's label.")
@click.option("--donor-serial", help="Serial number on the used module's label.")
@click.option("--donor-source", help="Who sold the used module, or where it came from.")
@click.option("--donor-receipt", help="Number or date of the seller's receipt.")
@click.option(
    "--old-module",
    type=click.Choice([word.value for word in OldModule]),
    help="Where the failed module is now: given back, returned as a core, scrapped, kept.",
)
@click.option("--technician", help="Who does the work.")
@click.option(
    "--procedure", help="Maker's procedure: brakes, steering, high voltage, driver assistance."
)
@click.option("--qualified-person", help="Who does that work or answers for it.")
@click.option(
    "--single-read",
    multiple=True,
    metavar="[NAME=]REASON",
    help="Reason why there is only one read.",
)
@click.option(
    "--original-unreadable",
    multiple=True,
    metavar="[NAME=]REASON",
    help="Reason why the original cannot be read.",
)
@click.option(
    "--reseated/--not-reseated",
    default=None,
    help="Was the clip removed and refitted between the reads?",
)
@gathered(ReadsSaid, "said")
@all_option
@reading_options
def command(
    memory: tuple[tuple[str, Chip], ...],
    said: ReadsSaid,
    layout: tuple[Path, ...],
    older: Path | None,
    reason: str | None,
    also_holds: tuple[str, ...],
    html: Path | None,
    reading: Reading,
    as_json: bool,
    show_all: bool,
    **facts: str | None,
) -> int:
    """Open a job: record the order, back every read up, look at both modules.

    A module with several memories is one job: name each memory once, put its name before
    a read where the size alone does not tell. Run it again with the same --job to add
    reads or facts; all reads of one memory count together.
    """
    require_free(html)
    asking = can_ask() and not as_json
    begun = None if older is None else open_older(older, open_store(reading.store))
    if begun is not None:
        facts = {name: value or _fact(begun.order, name) for name, value in facts.items()}
        also_holds = also_holds or begun.order.also_holds or ()
    job = reading.job
    if job is None and older is None:
        # In the folder of a job more reads and facts are that job's.
        job = find_job_folder(None, current_folder())
    if job is None:
        if not asking:
            raise UsageError(
                "the job's folder is not named", code="missing-answer", next_step="give --job DIR"
            )
        job = Path(ask("Folder of the job"))
    is_new = not (job / JOURNAL).exists()
    opened = None if is_new else open_job(job, store=open_store(reading.store).folder)
    questions = Questions(reading.options())
    memories = _memories(memory)
    chip = None if reading.chip is None else name_of_chip(opened, reading.chip)
    if asking and is_new and not (memories or chip or layout or begun):
        memories = questions.memories()
    known = {} if opened is None else opened.job.chips
    if begun is not None:
        known = begun.opened.job.chips
    request = StartRequest(folder=job, order=Order(), memories=memories, chip=chip, layouts=layout)
    chips = find_chips(request, known)
    if asking and not chips and (said.original or said.donor or said.reference):
        memories = questions.memories()
        chips = dict(memories)
    texts = {
        Role.ORIGINAL: said.original,
        Role.DONOR: said.donor,
        Role.REFERENCE: said.reference,
    }
    with at_work("reading"):
        reads = tuple(
            GivenRead(role=role, memory=name, read=load_read(Path(path), reading.options()))
            for role, given in texts.items()
            for name, path in (split_named(text, chips) for text in given)
        )
    require_one_file_a_read(reads)
    if asking:
        if is_new and not reads and begun is None:
            reads = questions.reads(chips)
        reads = tuple(questions.which_memory(request, given, chips) for given in reads)
        questions.name_mix_ups(replace(request, order=make_order(facts)), reads, chips)
    single = _by_memory(said.single_read, chips, "--single-read")
    if asking and is_new:
        facts = questions.order(facts)
    if asking and not single and is_single(reads, opened):
        single = questions.single_read()
    reseated = said.reseated
    if asking and reseated is None and is_several(reads):
        reseated = click.confirm(fitted(RESEATED), err=True)
    _require_reason(said.replaces, said.not_read, older, reason)
    request = StartRequest(
        folder=job,
        order=replace(make_order(facts), also_holds=_also_holds(also_holds)),
        memories=memories,
        chip=chip,
        reads=reads,
        layouts=layout,
        older=begun,
        single_read=single,
        unreadable=_by_memory(said.original_unreadable, chips, "--original-unreadable"),
        reseated=None if reseated is None else ("yes" if reseated else "no"),
        sitting=require_telling(said.sitting, "--sitting"),
        replaces=said.replaces,
        reader_orders=_reader_orders(said.reader_order, chips),
        not_read=said.not_read,
        reason=reason,
    )
    if asking:
        with at_work("looking at the reads"):
            unsure = list_unsure_orders(request, open_store(reading.store))
        named = questions.reader_orders(unsure)
        request = replace(request, reader_orders={**named, **request.reader_orders})
    now = clock()
    with at_work("looking at both modules"):
        view = start_job(request, open_store(reading.store), now=now)
        if html is not None:
            page = page_file(html, start_page.render_start_page(view, as_of=stamp(now)))
            context = open_context(job=job, stores=find_store(reading.store))
            context.record("start", new=[page])
    note_broken(view.broken_layouts)
    if html is not None:
        note(f"Written: {safe_text(str(html))}; it opens in any browser, without a network.")
    if as_json:
        print_json(start_json.start_document(view))
    else:
        say(start_view.render_answer(view, show_all=show_all))
        if asking:
            _tell_other_jobs(job, open_store(reading.store).folder, view)
        inside = is_here(job)
        step = start_steps.next_step(view, inside=inside)
        say_next(step, in_job=True, has_moved=not inside)
        say(f"\n{start_view.render_details(view, show_all=show_all)}")
    return 1 if start_view.speaks_against(view) else 0


def _memories(named: tuple[tuple[str, Chip], ...]) -> dict[str, str]:
    found: dict[str, str] = {}
    for name, chip in named:
        if found.setdefault(name, chip.name) != chip.name:
            raise UsageError(
                f"the memory {name} is named twice, as {found[name]} and as {chip.name}",
                code="memory-named-twice",
                next_step="give each memory a name of its own",
            )
    return found


def _by_memory(
    texts: tuple[str, ...], chips: Mapping[str, str], option: str
) -> dict[str | None, str]:
    """Reasons by memory; without a name for all of them."""
    pairs = (split_named(text, chips) for text in texts)
    return {name: require_telling(reason, option) or "" for name, reason in pairs}


def _reader_orders(texts: tuple[str, ...], chips: Mapping[str, str]) -> dict[str, SettledOrder]:
    """The order of each memory that a person named one for."""
    found: dict[str, SettledOrder] = {}
    for text in texts:
        name, order = split_named(text, chips)
        if name is None and len(chips) == 1 and "=" not in text:
            name = next(iter(chips))
        if name is None:
            raise UsageError(
                f"--reader-order '{text}' names no memory of this job",
                code="which-memory",
                next_step=f"write NAME=FORM with one of: {', '.join(chips) or 'its memories'}",
            )
        found[name] = SettledOrder(
            order=require_reader_order(order), how="named", reason="The technician said so."
        )
    return found


def _tell_other_jobs(job: Path, store: Path, view: StartView) -> None:
    """Say at the terminal alone that another job knows one of the images: it is its customer's."""
    backups = (module.backup for memory in view.memories for module in memory.modules)
    digests = [backup.sha256 for backup in backups]
    for found in find_elsewhere(store, open_job(job, store=store).first[:ID_LENGTH], digests):
        order = found.row.work_order or found.row.folder
        image = found.image or "an image that is also here"
        note(f"Order {safe_text(order)} already has one of these images: {safe_text(image)}.")


def _require_reason(
    replaces: tuple[str, ...], not_read: tuple[object, ...], older: Path | None, reason: str | None
) -> None:
    if (replaces or not_read or older) and reason is None:
        what = "a read is withdrawn" if replaces else "an area is said to be not read"
        what = "a job begins with an older one's reads" if older else what
        raise UsageError(
            f"{what} only with a reason",
            code="missing-answer",
            next_step="give the reason with --reason TEXT; it stays on record",
        )
    require_telling(reason, "--reason")


def _fact(order: Order, name: str) -> str | None:
    """A fact of an older order as it would be typed."""
    value = getattr(order, name, None)
    return None if value is None else str(value)


def _also_holds(words: tuple[str, ...]) -> tuple[AlsoHolds, ...] | None:
    return tuple(sorted(map(AlsoHolds, set(words)))) or None
