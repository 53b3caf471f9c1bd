"""`start` as one page: good reads? one family? where the VINs are, what differs, what next."""

from __future__ import annotations

from collections.abc import Iterator

from memtool.core.finding import Severity, Verdict
from memtool.core.job.stages.answers import tell_by_region
from memtool.core.job.start import MemoryView, ModuleView, StartView
from memtool.core.memory_map import compute_map, plan_map
from memtool.core.role import Role
from memtool.core.span import count_addresses, format_span
from memtool.core.words import count_of
from memtool.render.cautions import before_the_job
from memtool.render.page import picture
from memtool.render.page.blocks import (
    Block,
    Cell,
    Document,
    Facts,
    Figure,
    Figures,
    Heading,
    Items,
    Key,
    Look,
    Paragraph,
    Row,
    Table,
    code,
    result_cell,
)
from memtool.render.page.html import Paper, render_page
from memtool.render.text.answers import as_answers, count_results, tell_open
from memtool.render.text.next_steps import one_line
from memtool.render.text.start_steps import memory_step, module_findings, next_step
from memtool.render.text.start_view import (
    MODULES,
    layout_in_short,
    reads_in_short,
    tell_start,
)
from memtool.render.values import (
    NO_BAD_SIGN,
    chip_words,
    digest_words,
    name_words,
    reads_words,
    setup_lines,
    time_words,
)


def render_start_page(view: StartView, *, paper: Paper = Paper.A4, as_of: str) -> str:
    """The page, without script.

    Args:
        view: What is known.
        paper: For a print.
        as_of: Time of the view, ISO 8601 with zone.
    """
    return render_page(describe_start(view, as_of=as_of), paper=paper)


def describe_start(view: StartView, *, as_of: str) -> Document:
    """The view as blocks."""
    return Document(
        kind="For the shop: identities in full",
        title=f"Job {view.folder}",
        subject=f"Job {view.folder}",
        as_of=as_of,
        foot=f"{'Opened' if view.is_new else 'Continued'}, {time_words(as_of)}",
        blocks=tuple(_blocks(view)),
    )


def _blocks(view: StartView) -> Iterator[Block]:
    yield from _answers(view)
    for memory in view.memories:
        if len(view.memories) > 1:
            yield Heading(f"Memory: {memory.name} ({memory.chip})")
            yield _memory_answers(memory)
        yield from _vins(memory)
        yield from _setup(memory)
        yield from _pictures(memory)
        yield from _details(memory)
    yield Heading("Cautions")
    yield Items(before_the_job(view.order.module_kind))


def _answers(view: StartView) -> Iterator[Block]:
    yield Paragraph(tell_start(view), Look.RESULT)
    if len(view.memories) == 1:
        yield _memory_answers(view.memories[0])
    else:
        yield _memory_table(view)
    yield Facts([("next", Cell(one_line(next_step(view)), Look.STRONG))])
    order = view.order
    kind = name_words(order.module_kind) if order.module_kind else "not on record"
    yield Heading("Order")
    yield Facts(
        [
            ("work order", Cell(order.work_order or "not on record")),
            ("vehicle", Cell(order.vehicle_vin or "not on record")),
            ("module", Cell(kind)),
            ("authority", Cell(order.authority or "NOT ON RECORD: blank will refuse")),
        ]
    )


def _memory_answers(memory: MemoryView) -> Block:
    return Facts(
        [
            ("good reads?", _reads_answer(memory)),
            ("one family?", _family_answer(memory)),
            ("where VINs are", Cell(_vin_answer(memory))),
            ("what differs", Cell(_difference_words(memory))),
        ]
    )


def _memory_table(view: StartView) -> Block:
    rows = []
    for memory in view.memories:
        step = memory_step(memory, named=True)
        rows.append(
            Row(
                (
                    Cell(memory.name),
                    Cell(memory.chip),
                    *map(Cell, reads_in_short(memory)),
                    Cell(_vin_answer(memory)),
                    Cell(layout_in_short(memory)),
                    Cell(step.short if step else "nothing" if memory.needs_nothing else "blank"),
                )
            )
        )
    if not rows:
        return Paragraph("No memory was read.")
    head = ("memory", "chip", *MODULES, "VINs", "layout", "next")
    return Table(head=head, rows=rows, widths=(0, 0, 0, 0, 3, 0, 2))


def _reads_answer(memory: MemoryView) -> Cell:
    if not memory.modules:
        return Cell("NO MODULE WAS READ", Look.STRONG)
    words = [f"{module.backup.role}: {_agreement_words(module)}" for module in memory.modules]
    bad = any(module.backup.agree is False or _weighty(module) for module in memory.modules)
    return Cell("; ".join(words), Look.STRONG if bad else Look.PLAIN)


def _agreement_words(module: ModuleView) -> str:
    backup = module.backup
    words = reads_words(
        backup.read_count, agree=backup.agree, single_read_reason=backup.single_read_reason
    )
    weighty = len(_weighty(module))
    return f"{words}, {count_of(weighty, 'finding') + ' to look at' if weighty else NO_BAD_SIGN}"


def _weighty(module: ModuleView) -> list[str]:
    return [
        finding.text for finding in module_findings(module) if finding.severity is not Severity.INFO
    ]


def _family_answer(memory: MemoryView) -> Cell:
    if memory.module(Role.DONOR) is None:
        return Cell("not known before the donor is read", Look.STRONG)
    counts = count_results(as_answers(memory.family))
    if counts[Verdict.FAIL]:
        return Cell(f"NO: {tell_open(counts)}", Look.STRONG)
    if set(counts) - {Verdict.PASS}:
        return Cell(tell_open(counts))
    return Cell("yes: every check passed")


def _vin_answer(memory: MemoryView) -> str:
    parts = []
    for module in memory.modules:
        texts = list(dict.fromkeys(vin.text for vin in module.vins))
        places = count_of(len(module.vins), "place")
        parts.append(f"{module.backup.role}: {', '.join(texts) or 'none found'} ({places})")
    return "; ".join(parts) or "not known yet"


def _difference_words(memory: MemoryView) -> str:
    roles = {module.backup.role for module in memory.modules}
    if not {Role.ORIGINAL, Role.DONOR} <= roles:
        return "not known before original and donor are read"
    if not memory.differing:
        return "nothing: original and donor hold the same bytes"
    count = count_of(count_addresses(memory.differing), "byte")
    return f"{count}: {_by_region(memory)}"


def _by_region(memory: MemoryView) -> str:
    return tell_by_region(memory.differing, memory.layout)


def _vins(memory: MemoryView) -> Iterator[Block]:
    yield Heading("Where the VINs are")
    rows = []
    for module in memory.modules:
        for vin in module.vins:
            region = memory.layout.region_at(vin.span.start) if memory.layout else None
            rows.append(
                Row(
                    (
                        Cell(module.backup.role.value),
                        code(format_span(vin.span)),
                        code(vin.text),
                        Cell(vin.stored_as),
                        Cell(name_words(vin.check_digit)),
                        Cell(region.name if region else ""),
                    )
                )
            )
    if rows:
        head = ("module", "addresses", "VIN", "stored as", "check digit", "region")
        yield Table(head=head, rows=rows, widths=(0, 0, 3, 2, 2, 2))
    else:
        yield Paragraph("None was found.")


def _setup(memory: MemoryView) -> Iterator[Block]:
    """The list for the person at the scan tool."""
    if memory.setup and not memory.needs_nothing:
        yield Heading("What the maker's procedure must set, as in the original")
        boxes = [Row((Cell("[ ]"), Cell(text))) for text in setup_lines(memory.setup)]
        yield Table(head=("set", "value"), rows=boxes, widths=(0, 1))


def _pictures(memory: MemoryView) -> Iterator[Block]:
    yield Heading("The memories in pictures")
    if not memory.modules:
        yield Paragraph("No memory was read.")
        return
    spans = [span for module in memory.modules for span in module.image.spans]
    plan = plan_map(spans, columns=32, most_rows=16)
    maps, figures = [], []
    marks = "differs between original and donor"
    for module in memory.modules:
        role = module.backup.role.value
        drawn = compute_map(
            module.image,
            plan,
            layout=memory.layout,
            vins=[vin.span for vin in module.vins],
            marked=memory.differing if module.backup.role is not Role.REFERENCE else (),
        )
        maps.append(drawn)
        title = f"Memory map of the {role}"
        svg = picture.memory_map(drawn, title=title, name=f"map-{memory.name}-{role}", marks=marks)
        figures.append(Figure(svg, f"{role}, {module.backup.chip}"))
    yield Figures(figures)
    yield Key(picture.map_key(*maps, marks=marks))


def _details(memory: MemoryView) -> Iterator[Block]:
    yield Heading("The reads")
    for module in memory.modules:
        backup = module.backup
        yield Heading(f"{backup.role.value.capitalize()}, {backup.chip}", 2)
        yield Facts(
            [
                ("reads", Cell(f"{', '.join(backup.names)}: {_agreement_words(module)}")),
                ("memory", Cell(chip_words(backup.chip, backup.size))),
                ("image", code(digest_words(backup.sha256))),
                ("backup", code(backup.backup)),
            ]
        )
        if _weighty(module):
            yield Items(_weighty(module))
    for read in memory.withdrawn:
        text = f"{read.name} of the {read.role.value} does not count: {read.reason}"
        yield Paragraph(text)
    if memory.not_read:
        spans = ", ".join(map(format_span, memory.not_read))
        yield Paragraph(f"Not read by your reader (not the same as empty): {spans}.")
    if memory.unreadable:
        yield Paragraph(f"The original cannot be read: {memory.unreadable}")
    yield Heading("One family?" if memory.module(Role.DONOR) else "The vehicle's own module?")
    yield Paragraph(memory.layout_reason)
    if memory.family:
        yield Table(
            head=("result", "what was found"),
            rows=[Row((result_cell(check.result), Cell(check.said))) for check in memory.family],
            widths=(0, 1),
        )
