"""What `start` shows: good reads? one family? where the VINs are, what differs."""

from __future__ import annotations

from collections.abc import Sequence

from memtool.core.finding import Check, Severity, Verdict
from memtool.core.job.memory import tell_reader_order
from memtool.core.job.stages.answers import tell_by_kind, tell_by_region
from memtool.core.job.start import MemoryView, ModuleView, StartView
from memtool.core.role import Role
from memtool.core.span import Span, count_addresses
from memtool.core.texts.vin import CheckDigitState
from memtool.core.words import count_of, listed_spans
from memtool.render.cautions import before_the_job
from memtool.render.text import terminal
from memtool.render.text.answers import Answer, answers, as_answers, count_results, tell_open
from memtool.render.text.start_steps import is_mixed, memory_step, module_findings
from memtool.render.values import (
    chip_words,
    name_words,
    reads_cell,
    reads_words,
    setup_lines,
)
from memtool.render.words import safe_text

MOST_COPIES, MOST_COPIES_OF_SEVERAL = 6, 2
"""Places of one VIN in one form that are listed, of one memory and of each of several; with
``--all`` every one."""


def speaks_against(view: StartView) -> bool:
    """Whether anything says that the job should not go on like this."""
    return any(_speaks_against(memory) for memory in view.memories)


def tell_start(view: StartView) -> str:
    """Whether the job can go on like this, in one sentence."""
    if speaks_against(view):
        return "Stop: at least one check failed. See below."
    undecided = count_results(start_answers(view)).get(Verdict.DECIDE, 0)
    if undecided:
        return f"No check failed; {count_of(undecided, 'point')} for you to decide. You can go on."
    return "No problems found. You can go on."


def _speaks_against(memory: MemoryView) -> bool:
    return (
        any(module.backup.agree is False for module in memory.modules)
        or any(
            finding.severity is Severity.FAILURE
            for module in memory.modules
            for finding in module_findings(module)
        )
        or any(check.result is Verdict.FAIL for check in memory.family)
    )


def start_answers(view: StartView) -> list[Answer]:
    """What the modules' reads and the comparison of both say, of every memory."""
    several = len(view.memories) > 1
    found: list[Answer] = []
    for memory in view.memories:
        name = memory.name if several else None
        # What is said of a read as a whole is said by its findings, in their own words.
        said = {"reads", "health"}
        if any(map(is_mixed, memory.modules)):
            said.add("two-modules")
        family = [check for check in memory.family if check.code not in said]
        for module in memory.modules:
            found += as_answers(_of_a_read(module), name)
        found += as_answers(family, name)
    return found


def _of_a_read(module: ModuleView) -> list[Check]:
    """The findings of weight about one module's reads; or that there is none."""
    role, found = module.backup.role.value, terminal.weighty(module_findings(module))
    results = {Severity.FAILURE: Verdict.FAIL, Severity.WARNING: Verdict.DECIDE}
    checks = [
        Check(
            code=finding.code,
            result=results[finding.severity],
            text=f"{role}: {finding.text}",
            spans=finding.spans,
        )
        for finding in found
    ]
    if module.backup.agree is False and not any(each.result is Verdict.FAIL for each in checks):
        text = f"{role}: {count_of(module.backup.read_count, 'read')} that differ."
        checks.insert(0, Check(code="reads", result=Verdict.FAIL, text=text))
    if not checks:
        text = f"The {role}'s read shows no sign of a bad read."
        checks.append(Check(code="health", result=Verdict.PASS, text=text))
    return checks


def render_start(view: StartView) -> str:
    """The whole view: the answer, then the details."""
    answer = render_answer(view, show_all=True)
    return f"{answer}\n\n{render_details(view, show_all=True)}"


def render_answer(view: StartView, *, show_all: bool = False) -> str:
    """What holds, and what speaks against it: the first lines."""
    width = terminal.terminal_width()
    found = start_answers(view)
    parts = [terminal.heading(_title(view, found)), *_order_lines(view, width)]
    if found:
        parts.append(answers(found, width=width, show_all=show_all))
    return "\n".join(parts)


def _title(view: StartView, found: Sequence[Answer]) -> str:
    title = f"Job {view.folder} " + ("opened" if view.is_new else "continued")
    if not found:
        return f"{title}: no module is read yet"
    told = tell_open(count_results(found))
    return f"{title}: stop, {told}" if speaks_against(view) else f"{title}: {told}"


def _order_lines(view: StartView, width: int) -> list[str]:
    order = view.order
    kind = "module kind not on record"
    if order.module_kind is not None:
        kind = f"{name_words(order.module_kind)} module"
    facts = [
        f"order {order.work_order}" if order.work_order else "work order not on record",
        f"vehicle {order.vehicle_vin or 'not on record'}",
        kind,
    ]
    lines = [terminal.paragraph("; ".join(facts), width=width)]
    if not order.authority:
        text = "proof of ownership and written order NOT ON RECORD: blank will refuse"
        lines.append(terminal.labelled("authority", text, width=width))
    return lines


def render_details(view: StartView, *, show_all: bool = False) -> str:
    """The reads, the VINs, what differs and what is to be set; then the cautions, once a job."""
    width = terminal.terminal_width()
    parts: list[str] = []
    several = len(view.memories) > 1
    if several:
        parts += [memory_table(view), *_plain_words(view, width)]
    for memory in view.memories:
        if parts:
            parts.append("")
        if several:
            parts.append(terminal.heading(f"Memory: {memory.name} ({memory.chip})"))
        if several and not show_all:
            parts += _memory_in_short(memory, width)
        else:
            parts += _memory_lines(memory, width, show_all=show_all)
    if view.is_new:
        parts += ["", terminal.heading("Cautions")]
        parts.append(terminal.cautions(before_the_job(view.order.module_kind), width=width))
    return "\n".join(parts)


def memory_table(view: StartView) -> str:
    """One row a memory: chip, the reads of each module, VINs, layout, what next."""
    rows = [["memory", "chip", *MODULES, "VINs", "layout", "next"]]
    for memory in view.memories:
        step = memory_step(memory, named=True)
        rows.append(
            [
                safe_text(memory.name),
                safe_text(memory.chip),
                *reads_in_short(memory),
                str(sum(len(module.vins) for module in memory.modules)),
                layout_in_short(memory),
                step.short if step else ("nothing" if memory.needs_nothing else "blank"),
            ]
        )
    return terminal.table(rows)


MODULES = (Role.ORIGINAL.value, Role.DONOR.value)
"""The heads of `reads_in_short`."""


def reads_in_short(memory: MemoryView) -> tuple[str, ...]:
    """How many reads the original has, then the donor, and whether they are identical."""
    cells = []
    for role in (Role.ORIGINAL, Role.DONOR):
        module = memory.module(role)
        if module is None:
            is_lost = role is Role.ORIGINAL and memory.unreadable is not None
            cells.append("unreadable" if is_lost else "not yet")
        else:
            cells.append(reads_cell(module.backup.read_count, agree=module.backup.agree))
    return tuple(cells)


def layout_in_short(memory: MemoryView) -> str:
    """Whether there is a layout, and whether a person reviewed it."""
    if memory.layout is None:
        return "none"
    return "reviewed" if memory.layout.reviewed else "draft"


def _plain_words(view: StartView, width: int) -> list[str]:
    """Which memories hold identity, and which need nothing."""
    lines = []
    holding = [memory.name for memory in view.memories if memory.holds_identity]
    nothing = [memory.name for memory in view.memories if memory.needs_nothing]
    # Where every memory holds some, the table says so already.
    if len(holding) < len(view.memories):
        text = f"Identity is in: {', '.join(holding)}." if holding else "No memory shows a VIN."
        lines.append(terminal.labelled("identity", text, width=width))
    for memory in view.memories:
        if memory.is_equal and memory.holds_identity:
            text = f"{memory.name} holds the same bytes in both modules, identity included."
            lines.append(terminal.labelled("equal", text, width=width))
    if nothing:
        text = "The same bytes in both modules and no VIN, so nothing is to be done:"
        lines.append(terminal.labelled("equal", f"{text} {', '.join(nothing)}.", width=width))
    return lines


def _memory_lines(memory: MemoryView, width: int, *, show_all: bool) -> list[str]:
    parts = [terminal.heading("Reads")]
    parts.append(terminal.table([_backup_row(module) for module in memory.modules]) or "  none yet")
    parts += _special_lines(memory, width, show_all=show_all)
    parts.append(terminal.labelled("layout", memory.layout_reason, width=width))
    parts += ["", terminal.heading("Where the VINs are")]
    parts.append(_vin_table(memory) if show_all else _vin_lines(memory, width, MOST_COPIES))
    if {Role.ORIGINAL, Role.DONOR} <= {module.backup.role for module in memory.modules}:
        parts += ["", terminal.heading("What differs between original and donor")]
        told = _tell_difference(memory, show_all=show_all)
        parts.append(terminal.paragraph(told, width=width))
    if memory.setup and not memory.needs_nothing:
        parts += ["", terminal.heading("What the maker's procedure must set, as in the original")]
        parts += [
            terminal.labelled("[ ]", text, width=width, label_width=3)
            for text in _setup_lines(memory, show_all=show_all)
        ]
    return parts


def _setup_lines(memory: MemoryView, *, show_all: bool) -> list[str]:
    """What is to be set, by name; of places that no layout names how many, or with all where."""
    named = [item for item in memory.setup if item.wanted is not None]
    others = [item for item in memory.setup if item.wanted is None]
    if show_all or len(others) < 2:
        return setup_lines(memory.setup)
    size = count_of(sum(len(item.span) for item in others), "byte")
    text = f"{count_of(len(others), 'place')} with {size} that no layout names (--all lists them)"
    return [*setup_lines(named), text]


def _special_lines(memory: MemoryView, width: int, *, show_all: bool) -> list[str]:
    """Reads that do not count, the reader's order, areas and modules that could not be read."""
    parts = []
    for read in memory.withdrawn:
        text = f"{safe_text(read.name)} of the {read.role.value} does not count: {read.reason}"
        parts.append(terminal.labelled("withdrawn", text, width=width))
    if memory.reader_order is not None:
        text = tell_reader_order(memory.reader_order, with_reason=show_all)
        parts.append(terminal.labelled("order", text, width=width))
    if memory.not_read:
        text = (
            f"Not read by your reader (not the same as empty): {listed_spans(memory.not_read, 6)}"
        )
        parts.append(terminal.labelled("not read", text, width=width))
    if memory.unreadable:
        text = f"cannot be read: {memory.unreadable}"
        parts.append(terminal.labelled("original", text, width=width))
    return parts


def _memory_in_short(memory: MemoryView, width: int) -> list[str]:
    """As `_memory_lines`, without what the table of the memories has, a label for a heading."""
    parts = _special_lines(memory, width, show_all=False)
    if memory.layout is None:
        parts.append(terminal.labelled("layout", memory.layout_reason, width=width))
    parts.append(_vin_lines(memory, width, MOST_COPIES_OF_SEVERAL))
    if {Role.ORIGINAL, Role.DONOR} <= {module.backup.role for module in memory.modules}:
        told = _tell_difference(memory, show_all=False)
        parts.append(terminal.labelled("difference", told, width=width))
    if memory.setup and not memory.needs_nothing:
        parts += [
            terminal.labelled("to be set", text, width=width)
            for text in _setup_lines(memory, show_all=False)
        ]
    return parts


def _vin_lines(memory: MemoryView, width: int, most: int) -> str:
    """Where each VIN is, by module and stored form, the first `most` places of each."""
    if any(vin.readings for module in memory.modules for vin in module.vins):
        return _vin_table(memory)
    lines = []
    for module in memory.modules:
        by_text: dict[str, dict[str, list[Span]]] = {}
        for vin in module.vins:
            digit = "" if vin.check_digit is CheckDigitState.VALID else name_words(vin.check_digit)
            text = f"{vin.text} (check digit {digit})" if digit else vin.text
            by_text.setdefault(text, {}).setdefault(vin.stored_as, []).append(vin.span)
        role = module.backup.role.value
        for text, forms in by_text.items():
            told = "; ".join(
                f"{form} at {listed_spans(spans, most)}" for form, spans in forms.items()
            )
            lines.append(terminal.labelled(role, f"{text} {told}", width=width))
        if not by_text:
            lines.append(terminal.labelled(role, "none found", width=width))
    return "\n".join(lines) or "  no module is read yet"


def _vin_table(memory: MemoryView) -> str:
    """The VINs of all modules of one memory, module by module."""
    layout = memory.layout
    rows = [
        [module.backup.role.value, *row]
        for module in memory.modules
        for row in terminal.vin_rows(module.vins, layout)
    ]
    lines = [terminal.table([["module", *terminal.vin_head(layout)], *rows])] if rows else []
    empty = [module.backup.role.value for module in memory.modules if not module.vins]
    if empty:
        lines.append(f"  none found in: {', '.join(empty)}")
    return "\n".join(lines) or "  no module is read yet"


def _backup_row(module: ModuleView) -> list[str]:
    backup = module.backup
    orders = ", ".join(dict.fromkeys(backup.orders))
    reads = reads_words(
        backup.read_count, agree=backup.agree, single_read_reason=backup.single_read_reason
    )
    facts = [chip_words(backup.chip, backup.size), reads, f"backup {backup.backup}"]
    if orders:
        facts.append(f"files in {safe_text(orders)}")
    return [backup.role.value, "; ".join(facts)]


def _tell_difference(memory: MemoryView, *, show_all: bool) -> str:
    """How many bytes differ, by kind of region; with all by region."""
    spans, layout = memory.differing, memory.layout
    if not spans:
        return "Nothing: both hold the same bytes."
    if layout is None:
        return f"{tell_by_region(spans, layout)}."
    told = tell_by_region(spans, layout) if show_all else tell_by_kind(spans, layout)
    return f"{count_of(count_addresses(spans), 'byte')}: {told}."
