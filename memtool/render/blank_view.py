"""What `blank` shows: the plan byte for byte, what every rule says, and the proof."""

from __future__ import annotations

from typing import Any

from memtool.core.blanking import BlankPlan, edits_to_facts, kept_to_facts
from memtool.core.finding import Verdict
from memtool.core.identity.known_identity import describe_search
from memtool.core.identity.vin import mask_vin
from memtool.core.job import checks_to_facts
from memtool.core.proof import PreparedBlank, WrittenBlank, tell_match
from memtool.core.span import count_addresses, format_span
from memtool.render import terminal
from memtool.render.as_json import document, span_value
from memtool.render.cautions import BEFORE_WRITING
from memtool.render.words import count_of, safe_text

_SHOWN_BYTES = 17


def is_refused(prepared: PreparedBlank) -> bool:
    """Whether any rule says no."""
    return any(check.result is Verdict.FAIL for check in prepared.checks)


def render_plan(prepared: PreparedBlank) -> str:
    """The plan, the rules and what stays."""
    width = terminal.terminal_width()
    request = prepared.request
    parts = [terminal.heading("Plan")]
    parts.append(_plan_lines(request.plan) if request.plan else "  There is no plan.")
    parts += ["", terminal.heading("Identity that goes")]
    masked = [mask_vin(text) for text in request.identities]
    parts.append("\n".join(f"  {text}" for text in masked) or "  none was found")
    parts += ["", terminal.heading("What stays of it"), _trace_lines(prepared, width)]
    parts += ["", terminal.heading("Rules"), terminal.checks(prepared.checks, width=width)]
    if request.layout is None:
        parts += ["", _unknown_checksums(width)]
    return "\n".join(parts)


def render_blanked(written: WrittenBlank) -> str:
    """What was written and how it was proven."""
    width = terminal.terminal_width()
    request = written.prepared.request
    plan = request.plan
    parts = [
        terminal.heading(f"Written: {safe_text(written.out)}"),
        terminal.table(
            [
                ["image sha256", written.sha256],
                ["file sha256", written.file_sha256],
                ["made from backup", request.reads.backup if request.reads else ""],
            ]
        ),
        "",
        terminal.heading("Changed"),
        _plan_lines(plan) if plan else "",
        "",
        terminal.heading("What stays of the identity"),
        _trace_lines(written.prepared, width),
        "",
        terminal.heading("Proof"),
        terminal.checks(written.checks[-2:], width=width),
        f"  All {len(written.checks) - 2} rules of the gate allowed it.",
    ]
    if request.layout is None:
        parts += ["", _unknown_checksums(width)]
    parts += ["", terminal.heading("Before you write it")]
    parts.append(terminal.cautions(BEFORE_WRITING, width=width))
    return "\n".join(parts)


def _plan_lines(plan: BlankPlan) -> str:
    if not plan.edits:
        return "  Nothing to change: everything asked for is blank already."
    lines = []
    for edit in plan.edits:
        place = f"{format_span(edit.span)} ({count_of(len(edit.span), 'byte')})"
        lines.append(f"  {place}  {safe_text(edit.reason)}")
        lines.append(f"      old {_hex(edit.old)}")
        lines.append(f"      new {_hex(edit.new)}")
    total = count_addresses(plan.spans)
    lines.append(f"  {count_of(total, 'byte')} in {count_of(len(plan.edits), 'run')}.")
    lines += [f"  kept {format_span(kept.span)}: {safe_text(kept.reason)}" for kept in plan.kept]
    return "\n".join(lines)


def _hex(data: bytes) -> str:
    shown = data[:_SHOWN_BYTES].hex(" ").upper()
    return shown if len(data) <= _SHOWN_BYTES else f"{shown} …"


def _trace_lines(prepared: PreparedBlank, width: int) -> str:
    searched = terminal.labelled(
        "",
        f"{describe_search()[:1].upper()}{describe_search()[1:]}.",
        width=width,
        indent=1,
        label_width=0,
    )
    if not prepared.matches:
        return f"{searched}\n  Nothing was found."
    lines = [f"  {tell_match(match)}" for match in prepared.matches]
    return "\n".join([searched, *lines])


def _unknown_checksums(width: int) -> str:
    text = (
        "CHECKSUMS ARE NOT CHECKED: without a layout nobody knows which checksums guard"
        " these bytes. The module may refuse its memory."
    )
    return terminal.labelled("warning", text, width=width)


def plan_document(prepared: PreparedBlank) -> dict[str, Any]:
    """The plan as the JSON document of ``benchimage blank --dry-run``."""
    return _document(prepared, dry_run=True, out=None, sha256=None, checks=prepared.checks)


def blank_document(written: WrittenBlank) -> dict[str, Any]:
    """What was written, as the JSON document of ``benchimage blank``."""
    return _document(
        written.prepared,
        dry_run=False,
        out=written.out,
        sha256=written.sha256,
        checks=written.checks,
    )


def _document(prepared: PreparedBlank, *, checks: Any, **keys: Any) -> dict[str, Any]:
    request = prepared.request
    values = checks_to_facts(checks)
    if request.layout is None:
        values.append(
            {
                "code": "checksums",
                "result": Verdict.NOT_CHECKED.value,
                "reason": "no layout names the checksums",
                "text": "Which checksums guard these bytes is unknown.",
                "spans": [],
            }
        )
    return document(
        "blank",
        **keys,
        edits=edits_to_facts(request.plan) if request.plan else [],
        kept=kept_to_facts(request.plan) if request.plan else [],
        backup=request.reads.backup if request.reads else None,
        leftovers=[
            {
                **span_value(match.span),
                "stored_as": match.stored_as,
                "part": match.part,
                "coding": match.coding,
                "expected_by_chance": match.expected_by_chance,
            }
            for match in prepared.matches
        ],
        checks=values,
    )
