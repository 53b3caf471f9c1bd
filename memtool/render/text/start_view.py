"""What `start` shows: good reads? one family? where the VINs are, what differs, what next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from memtool.core.finding import Check, Finding, Severity, Verdict
from memtool.core.health.agreement import Agreement
from memtool.core.health.disagreement import TWO_MODULES
from memtool.core.job.job import checks_to_facts
from memtool.core.job.memory import tell_reader_order
from memtool.core.job.stages.answers import tell_by_kind, tell_by_region
from memtool.core.job.start import MemoryView, ModuleView, StartView
from memtool.core.layouts.layout import Layout
from memtool.core.read_options import PLAIN
from memtool.core.role import Role
from memtool.core.span import Span, count_addresses
from memtool.core.texts.vin import CheckDigitState
from memtool.core.words import count_of, listed_spans
from memtool.render.cautions import before_the_job
from memtool.render.json.as_json import document, finding_values, vin_values
from memtool.render.text import next_view, terminal
from memtool.render.text.answers import Answer, answers, as_answers, count_results, tell_open
from memtool.render.text.next_steps import NextStep, one_line, quoted
from memtool.render.values import (
    chip_words,
    name_words,
    reads_cell,
    reads_words,
    setup_lines,
    setup_value,
    span_value,
    span_values,
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


def module_findings(module: ModuleView) -> tuple[Finding, ...]:
    """Findings about the read, and about its agreement with the others."""
    return (*module.findings, *(module.agreement.findings if module.agreement else ()))


def next_step(view: StartView, *, inside: bool = False) -> NextStep:
    """What to do next.

    Args:
        view: What `start` found.
        inside: Whether the person is in the job's folder already.
    """
    if not view.memories:
        commands = ("benchimage start --original READ --donor READ",)
        step = NextStep(text="read both modules and add their reads", commands=commands)
    else:
        step = _step_of_memories(view) or next_view.next_step(view.next)
    way = () if inside else (f"cd {quoted(view.folder)}",)
    return replace(step, commands=(*way, *step.commands))


def _step_of_memories(view: StartView) -> NextStep | None:
    named = len(view.memories) > 1
    steps = [memory_step(memory, named=named) for memory in view.memories]
    found = [step for step in steps if step is not None]
    first = next((step for step in found if step.is_reading), None)
    if first is None:
        first = next((step for step in found if step.is_mending), found[0] if found else None)
    return None if first is None else first.step


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What one memory needs next."""

    step: NextStep | None
    """None: as the job's record says."""
    short: str
    """For a cell of the table."""
    is_reading: bool = False
    """Whether a read is wanted, before anything else."""
    is_mending: bool = False
    """Whether a check failed that is to be mended first."""


def memory_step(memory: MemoryView, *, named: bool) -> Step | None:
    """What a memory needs before its donor can be blanked; None where nothing.

    Args:
        memory: The memory.
        named: Whether the job has others, so that this one is named in every command.
    """
    roles = {module.backup.role for module in memory.modules}
    prefix, suffix = (f"{memory.name}=", f"/{memory.name}") if named else ("", "")
    for module in memory.modules:
        if module.backup.agree is False:
            return _reads_differ(module, prefix, suffix)
    failed = [check for check in memory.family if check.result is Verdict.FAIL]
    failures = any(
        finding.severity is Severity.FAILURE
        for module in memory.modules
        for finding in module_findings(module)
    )
    if failed or failures:
        return _mend(failed, prefix)
    if memory.is_follow_up:
        step = NextStep(
            text="read the module again after the work and check it",
            commands=(f"benchimage check {prefix}READ",),
            otherwise="Or add another donor's reads with 'benchimage start --donor READ'.",
        )
        return Step(step=step, short="check")
    if Role.DONOR not in roles:
        step = NextStep(
            text="read the donor twice and add its reads",
            commands=(f"benchimage start --donor {prefix}READ --donor {prefix}READ",),
            otherwise=(
                "Where the original's chip is moved onto the donor's board nothing is removed:"
                f" read it there, then 'benchimage check {prefix}READ --stage after-writing'."
            ),
        )
        return Step(step=step, short="read the donor", is_reading=True)
    if Role.ORIGINAL not in roles and memory.unreadable is None:
        step = NextStep(
            text="read the original and add its reads",
            commands=(f"benchimage start --original {prefix}READ",),
            otherwise=(
                "If it cannot be read, say why: 'benchimage start --original-unreadable"
                f" {prefix}REASON'."
            ),
        )
        return Step(step=step, short="read the original", is_reading=True)
    if memory.needs_nothing:
        return None
    if memory.donor_identity is not None and memory.donor_identity.is_done:
        step = NextStep(
            text=(
                "there is no old identity to remove: fit the donor, run the maker's procedure,"
                " read it again"
            ),
            commands=(f"benchimage check {prefix}READ --stage after-setup",),
        )
        return Step(step=step, short="set up")
    if memory.layout is None:
        images = " ".join(f"{role.value}{suffix}" for role in Role if role in roles)
        file = f"{memory.name}.toml" if named else "layout.toml"
        step = NextStep(
            text="draft a layout from these reads, and review it",
            commands=(
                f"benchimage layout draft {images} --out {file}",
                f"benchimage layout review {file}",
            ),
            otherwise=(
                f"Or remove the VIN alone: 'benchimage blank donor{suffix} --vin VIN'. Or put the"
                " original's own image onto an equal module: 'benchimage check"
                f" original{suffix} --stage before-writing'."
            ),
        )
        return Step(step=step, short="draft a layout")
    if not memory.layout.reviewed:
        return Step(step=None, short="review the layout")
    return None


def _mend(failed: Sequence[Check], prefix: str) -> Step:
    """A check failed: the read of the wrong module, the wrong donor, or a bad read."""
    if any(check.code == "original-identity" for check in failed):
        step = NextStep(
            text="give the read of this vehicle's own module in place of the wrong one",
            commands=(f"benchimage start --replaces READ --reason TEXT --original {prefix}READ",),
            otherwise=(
                "If the order is wrong: 'benchimage start --vehicle-vin VIN --reason TEXT'."
            ),
        )
        return Step(step=step, short="see what failed", is_mending=True)
    step = NextStep(
        text="put right what failed; read the donor again, or take another one",
        commands=(f"benchimage start --replaces READ --reason TEXT --donor {prefix}READ",),
    )
    return Step(step=step, short="see what failed", is_mending=True)


def _reads_differ(module: ModuleView, prefix: str, suffix: str) -> Step:
    role, agreement = module.backup.role.value, module.agreement
    again = f"benchimage start --{role} {prefix}READ"
    if _is_mixed(module):
        step = NextStep(
            text="take the other module's read out of the count",
            commands=(f"benchimage start --replaces READ --reason TEXT --{role} {prefix}READ",),
        )
        return Step(step=step, short="reads of two modules", is_mending=True)
    more = agreement.more_reads if agreement is not None else None
    if module.backup.read_count > 2:
        helped = f"{count_of(more, 'more read')} would make it safer: '{again}'." if more else ""
        step = NextStep(
            text="let the majority of the reads decide each byte",
            commands=(f"benchimage job majority {role}{suffix}",),
            otherwise=helped,
        )
        return Step(step=step, short=f"majority of {module.backup.read_count} reads")
    step = NextStep(
        text=f"fix the connection, read the {role} again and add the read",
        commands=(again,),
    )
    return Step(step=step, short="read again", is_reading=True)


def _is_mixed(module: ModuleView) -> bool:
    return any(finding.code == TWO_MODULES for finding in module_findings(module))


def start_answers(view: StartView) -> list[Answer]:
    """What the modules' reads and the comparison of both say, of every memory."""
    several = len(view.memories) > 1
    found: list[Answer] = []
    for memory in view.memories:
        name = memory.name if several else None
        # What is said of a read as a whole is said by its findings, in their own words.
        said = {"reads", "health"}
        if any(map(_is_mixed, memory.modules)):
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


def start_document(view: StartView) -> dict[str, Any]:
    """The view as the JSON document of ``benchimage start``."""
    return document(
        "start",
        job=str(view.folder),
        opened=view.is_new,
        order={
            "work_order": view.order.work_order,
            "customer": view.order.customer,
            "plate": view.order.plate,
            "vehicle_vin": view.order.vehicle_vin,
            "module_kind": view.order.module_kind.value if view.order.module_kind else None,
            "authority": view.order.authority,
            "complaint": view.order.complaint,
            "original_part": view.order.original_part,
            "donor_part": view.order.donor_part,
            "original_serial": view.order.original_serial,
            "donor_serial": view.order.donor_serial,
            "donor_source": view.order.donor_source,
            "donor_receipt": view.order.donor_receipt,
            "old_module": view.order.old_module.value if view.order.old_module else None,
            "technician": view.order.technician,
            "procedure": view.order.procedure,
            "qualified_person": view.order.qualified_person,
        },
        memories=[_memory_value(memory) for memory in view.memories],
        next=one_line(next_step(view)),
    )


def _memory_value(memory: MemoryView) -> dict[str, Any]:
    return {
        "name": memory.name,
        "chip": memory.chip,
        "original_unreadable": memory.unreadable,
        "modules": [_module_value(module, memory.layout) for module in memory.modules],
        "withdrawn": [
            {
                "role": read.role.value,
                "name": read.name,
                "sha256": read.sha256,
                "reason": read.reason,
            }
            for read in memory.withdrawn
        ],
        "reader_order": memory.reader_order.order if memory.reader_order else PLAIN,
        "not_read": span_values(memory.not_read),
        "family": checks_to_facts(memory.family),
        "differing": span_values(memory.differing),
        "pairs": [
            {
                **span_value(pair.span),
                "stored_as": pair.stored_as,
                "part": pair.part.value,
                "coding": pair.coding.value,
            }
            for pair in memory.pairs
        ],
        "layout": memory.layout.name if memory.layout else None,
        "layout_reason": memory.layout_reason,
        "setup": [setup_value(item) for item in memory.setup],
        "holds_identity": memory.holds_identity,
        "equal": memory.is_equal,
    }


def _agreement_value(agreement: Agreement) -> dict[str, Any]:
    return {
        "agree": agreement.agree,
        "differing_bytes": agreement.differing_bytes,
        "spans": span_values(agreement.spans),
        "more_reads": agreement.more_reads,
    }


def _module_value(module: ModuleView, layout: Layout | None) -> dict[str, Any]:
    backup = module.backup
    return {
        "role": backup.role.value,
        "backup": backup.backup,
        "sha256": backup.sha256,
        "size": backup.size,
        "reads": backup.read_count,
        "agree": backup.agree,
        "single_read_reason": backup.single_read_reason,
        "reseated": backup.reseated,
        "sitting": backup.sitting,
        "agreement": None if module.agreement is None else _agreement_value(module.agreement),
        "findings": finding_values(module_findings(module)),
        "vins": vin_values(module.vins, layout),
    }
