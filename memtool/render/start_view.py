"""What `start` shows: good reads? one family? where the VINs are, what differs, what next."""

from __future__ import annotations

from typing import Any

from memtool.core.backup import Role
from memtool.core.finding import Finding, Severity, Verdict
from memtool.core.job import checks_to_facts
from memtool.core.layouts.layout import Layout
from memtool.core.span import Span, count_addresses
from memtool.core.stages.answers import tell_by_region
from memtool.core.start import ModuleView, StartView
from memtool.render import terminal
from memtool.render.as_json import (
    document,
    finding_values,
    span_value,
    span_values,
    vin_values,
)
from memtool.render.cautions import BEFORE_THE_JOB, DEFERENCE
from memtool.render.words import count_of, safe_text


def speaks_against(view: StartView) -> bool:
    """Whether anything says that the job should not go on like this."""
    return (
        any(module.kept.agree is False for module in view.modules)
        or any(
            finding.severity is Severity.FAILURE
            for module in view.modules
            for finding in module_findings(module)
        )
        or any(check.result is Verdict.FAIL for check in view.family)
    )


def module_findings(module: ModuleView) -> tuple[Finding, ...]:
    """Findings about the read, and about its agreement with the others."""
    return (*module.findings, *(module.agreement.findings if module.agreement else ()))


def next_step(view: StartView) -> str:
    """What to do next, in one sentence."""
    roles = {module.kept.role for module in view.modules}
    if any(module.kept.agree is False for module in view.modules):
        return "mend the connection, read the module again, and add the new reads with 'start'."
    if Role.DONOR not in roles:
        return "read the donor and add its reads: benchimage start --donor READ --donor READ"
    if Role.ORIGINAL not in roles and view.original_unreadable is None:
        return "add the original's reads, or say why not with --original-unreadable REASON"
    if view.layout is None:
        named = " ".join(role.value for role in Role if role in roles)
        return (
            f"cd {safe_text(view.folder)}, then benchimage layout draft {named} --out layout.toml"
            " and benchimage layout review layout.toml; or blank the VIN alone with benchimage"
            " blank donor --vin VIN"
        )
    if not view.layout.reviewed:
        return (
            f"cd {safe_text(view.folder)}; nobody has reviewed the layout: benchimage layout"
            " review FILE, then benchimage blank donor --layout FILE-reviewed-1.toml --dry-run"
        )
    return (
        f"cd {safe_text(view.folder)}, then benchimage check --stage donor, then"
        " benchimage blank donor --dry-run"
    )


def render_start(view: StartView) -> str:
    """The view as text."""
    width = terminal.terminal_width()
    order = view.order
    title = f"Job {view.folder}: " + ("opened" if view.is_new else "continued")
    parts = [
        terminal.heading(title),
        terminal.table(
            [
                ["work order", safe_text(order.work_order or "not on record")],
                ["vehicle", safe_text(order.vehicle_vin or "not on record")],
                ["module", order.module_kind.value if order.module_kind else "not on record"],
                ["authority", safe_text(order.authority or "NOT ON RECORD: blank will refuse")],
            ]
        ),
        "",
        terminal.heading("Backups"),
        terminal.table([_backup_row(module) for module in view.modules]) or "  none yet",
    ]
    if view.original_unreadable:
        parts.append(
            terminal.labelled(
                "original", f"cannot be read: {view.original_unreadable}", width=width
            )
        )
    parts += ["", terminal.heading("Good reads?")]
    parts += [_read_lines(module, width) for module in view.modules]
    parts += ["", terminal.heading("One family?")]
    parts.append(
        terminal.checks(view.family, width=width) or "  Not known before the donor is read."
    )
    parts.append(terminal.labelled("layout", view.layout_reason, width=width))
    parts += ["", terminal.heading("Where the VINs are")]
    for module in view.modules:
        parts += [f"  {module.kept.role}", terminal.vins(module.vins, view.layout)]
    if view.pairs:
        places = terminal.listed_spans([pair.span for pair in view.pairs], 6)
        text = f"At {places} each module holds its own VIN in one form: certain."
        parts.append(terminal.labelled("both", text, width=width))
    parts += ["", terminal.heading("What differs between original and donor")]
    parts.append(_difference_line(view.differing, view.layout, view.modules, width))
    parts += ["", terminal.heading("Cautions")]
    parts.append(terminal.cautions((*BEFORE_THE_JOB, DEFERENCE), width=width))
    return "\n".join(parts)


def _backup_row(module: ModuleView) -> list[str]:
    kept = module.kept
    return [
        kept.role.value,
        safe_text(kept.chip),
        count_of(kept.size, "byte"),
        count_of(kept.reads, "read"),
        f"backup {kept.backup}",
    ]


def _read_lines(module: ModuleView, width: int) -> str:
    kept = module.kept
    if kept.agree:
        answer = f"{kept.reads} reads agree"
    elif kept.agree is None:
        answer = f"single read ({kept.single_read_reason or 'no reason on record'})"
    else:
        answer = "READS DIFFER"
    weighty = terminal.weighty(module_findings(module))
    if not weighty:
        answer += "; no sign of a bad read"
    lines = [terminal.labelled(kept.role.value, answer, width=width)]
    if weighty:
        lines.append(terminal.findings(weighty, width=width, indent=4))
    return "\n".join(lines)


def _difference_line(
    spans: tuple[Span, ...], layout: Layout | None, modules: tuple[ModuleView, ...], width: int
) -> str:
    roles = {module.kept.role for module in modules}
    if not {Role.ORIGINAL, Role.DONOR} <= roles:
        return "  Not known before both are read."
    if not spans:
        return "  Nothing: both hold the same bytes."
    text = f"{count_of(count_addresses(spans), 'byte')} in {count_of(len(spans), 'run')}:"
    text += f" {tell_by_region(spans, layout)}."
    return terminal.labelled("", text, width=width, label_width=0, indent=1)


def start_document(view: StartView) -> dict[str, Any]:
    """The view as the JSON document of ``benchimage start``."""
    return document(
        "start",
        job=str(view.folder),
        opened=view.is_new,
        order={
            "work_order": view.order.work_order,
            "vehicle_vin": view.order.vehicle_vin,
            "module_kind": view.order.module_kind.value if view.order.module_kind else None,
            "authority": view.order.authority,
            "complaint": view.order.complaint,
            "original_part": view.order.original_part,
            "donor_part": view.order.donor_part,
            "donor_source": view.order.donor_source,
            "technician": view.order.technician,
        },
        original_unreadable=view.original_unreadable,
        modules=[_module_value(module, view.layout) for module in view.modules],
        family=checks_to_facts(view.family),
        differing=span_values(view.differing),
        pairs=[
            {
                **span_value(pair.span),
                "stored_as": pair.stored_as,
                "part": pair.part.value,
                "coding": pair.coding.value,
            }
            for pair in view.pairs
        ],
        layout=view.layout.name if view.layout else None,
        layout_reason=view.layout_reason,
        next=next_step(view),
    )


def _module_value(module: ModuleView, layout: Layout | None) -> dict[str, Any]:
    kept = module.kept
    return {
        "role": kept.role.value,
        "chip": kept.chip,
        "backup": kept.backup,
        "sha256": kept.sha256,
        "size": kept.size,
        "reads": kept.reads,
        "agree": kept.agree,
        "single_read_reason": kept.single_read_reason,
        "reseated": kept.reseated,
        "findings": finding_values(module_findings(module)),
        "vins": vin_values(module.vins, layout),
    }
