"""What `blank` shows: the plan byte for byte, what every rule says, and the proof."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from memtool.core.finding import Check, Verdict
from memtool.core.job.blanking import (
    ShownEdit,
    digest_of_plans,
    edits_to_facts,
    kept_to_facts,
    show_edits,
)
from memtool.core.job.gate_question import GateQuestion
from memtool.core.job.job import checks_to_facts
from memtool.core.job.proof import PassedOver, PreparedBlank, WrittenBlank, tell_match
from memtool.core.job.protection import spans_of_kind
from memtool.core.layouts.region import RegionKind
from memtool.core.read_options import PLAIN
from memtool.core.span import Span, format_span, format_span_with_length
from memtool.core.texts.known_identity import describe_search
from memtool.core.texts.vin import mask_vin
from memtool.core.words import count_of
from memtool.render.json.as_json import document
from memtool.render.text import terminal
from memtool.render.text.answers import Answer, answers, as_answers, count_results, tell_open
from memtool.render.values import (
    digest_words,
    folded_bytes_words,
    short_bytes_words,
    span_value,
)
from memtool.render.words import safe_text

_SHOWN_BYTES = 17
_FEW = 4
"""Bytes that stand on the line of their name."""
_FEW_EDITS = 10
"""Edits that are shown with their bytes without being asked."""
_MOST_EDITS = 100
"""Edits of a memory that are listed without being asked; a large region has ten thousands."""
_UNKNOWN_CHECKSUMS = Check(
    code="checksums",
    result=Verdict.NOT_CHECKED,
    text="CHECKSUMS ARE NOT CHECKED: the module may reject its memory.",
    reason="without a layout nobody knows which checksums guard these bytes",
)


def render_plan_answer(
    prepared: Sequence[PreparedBlank],
    passed_over: Sequence[PassedOver] = (),
    *,
    show_all: bool = False,
) -> str:
    """Whether the plan may be carried out, and what speaks against it: the first lines."""
    found = _answers(prepared, [one.checks for one in prepared])
    counts = count_results(found)
    several = len(prepared) > 1
    if counts[Verdict.FAIL]:
        refused = count_of(counts[Verdict.FAIL], "rule")
        title = f"Refused: {refused} of the gate {'says' if refused[:2] == '1 ' else 'say'} no"
    else:
        title = f"{'Plans' if several else 'Plan'}, allowed: {tell_open(counts)}"
    width = terminal.terminal_width()
    parts = [terminal.heading(title), terminal.paragraph(f"{_sum(prepared)}.", width=width)]
    parts.append(answers(found, width=width, show_all=show_all))
    parts += _passed_over_lines(passed_over)
    return "\n".join(parts)


def render_plan(prepared: Sequence[PreparedBlank], passed_over: Sequence[PassedOver] = ()) -> str:
    """The whole plan: `render_plan_answer`, then `render_changes`."""
    answer = render_plan_answer(prepared, passed_over, show_all=True)
    return f"{answer}\n\n{render_changes(prepared, show_all=True)}"


def render_changes(prepared: Sequence[PreparedBlank], *, show_all: bool = False) -> str:
    """Every change, and what would stay of the identity, of each memory; what is confirmed."""
    width = terminal.terminal_width()
    with_bytes = show_all or _are_few(prepared)
    parts = []
    for one in prepared:
        title = f"Changes in {safe_text(one.memory or '')}" if len(prepared) > 1 else "Changes"
        lines = [terminal.heading(title)]
        shown = _plan_lines(one.question, width, with_bytes=with_bytes)
        lines.append(shown if one.question.plan else "  There is no plan.")
        parts.append("\n".join(lines))
    parts.append(_traces("Traces that would remain", prepared, width))
    if len(prepared) > 1:
        parts.append(_together_line(prepared))
    return "\n\n".join(parts)


def confirmation_question(prepared: Sequence[PreparedBlank]) -> tuple[str, bool]:
    """What the person is asked before anything is written, and whether the answer is hidden."""
    if len(prepared[0].question.identities) == 1:
        return "Type the last six characters of the VIN to be removed", True
    return "Type the first six digits of the plan's digest", False


def tell_rules(prepared: Sequence[PreparedBlank]) -> str:
    """What the gate says, in one line: the first refusal, or how many rules allow the plan."""
    for one in prepared:
        for check in one.checks:
            if check.result is Verdict.FAIL:
                of = f"{one.memory}: " if len(prepared) > 1 and one.memory else ""
                return f"Refused: {of}{check.text} (rule {check.code})"
    return _rules_line([check for one in prepared for check in one.checks])


def render_blanked_answer(
    written: Sequence[WrittenBlank],
    passed_over: Sequence[PassedOver] = (),
    *,
    show_all: bool = False,
) -> str:
    """What was written, and how it was proven: the first lines."""
    width = terminal.terminal_width()
    prepared = [one.prepared for one in written]
    found = _answers(prepared, [one.checks for one in written])
    told = tell_open(count_results(found))
    parts = [terminal.heading(f"Written and read back: {told}")]
    parts += [terminal.paragraph(one.out, width=width) for one in written]
    parts += [terminal.paragraph(f"{_sum(prepared)}.", width=width)]
    parts.append(answers(found, width=width, show_all=show_all))
    parts += _passed_over_lines(passed_over)
    return "\n".join(parts)


def render_blanked(written: Sequence[WrittenBlank], passed_over: Sequence[PassedOver] = ()) -> str:
    """All that is said of files that were written: the answer, then `render_proof`."""
    answer = render_blanked_answer(written, passed_over, show_all=True)
    return f"{answer}\n\n{render_proof(written, show_all=True)}"


def render_proof(written: Sequence[WrittenBlank], *, show_all: bool = False) -> str:
    """What was changed, and the digests, of each memory."""
    width = terminal.terminal_width()
    prepared = [one.prepared for one in written]
    with_bytes = show_all or _are_few(prepared)
    parts = []
    for one in written:
        question = one.prepared.question
        title = f"Changed in {safe_text(one.card.memory)}" if len(written) > 1 else "Changed"
        # In the chip's order the file holds the very bytes of the image.
        digests = {one.sha256: "image", one.file_sha256: "file"}
        lines = [terminal.heading(title), _plan_lines(question, width, with_bytes=with_bytes)]
        lines += [
            terminal.labelled(word, digest_words(digest), width=width, label_width=8)
            for digest, word in digests.items()
        ]
        if one.card.byte_order != PLAIN:
            order = terminal.labelled("byte order", one.card.byte_order, width=width)
            lines.append(order)
        if question.reads:
            made = terminal.labelled("made from", f"backup {question.reads.backup}", width=width)
            lines.append(made)
        parts.append("\n".join(lines))
    parts.append(_traces("Traces that remain", prepared, width))
    return "\n\n".join(parts)


def _are_few(prepared: Sequence[PreparedBlank]) -> bool:
    """Whether all edits can be shown with their bytes on two screens."""
    return sum(len(one.question.plan.edits) for one in prepared if one.question.plan) <= _FEW_EDITS


def _traces(title: str, prepared: Sequence[PreparedBlank], width: int) -> str:
    """What the search for the identity found; of memories that say the same, once."""
    told: dict[str, list[str]] = {}
    for one in prepared:
        told.setdefault(_trace_lines(one, width), []).append(safe_text(one.memory or ""))
    lines = [terminal.heading(title)]
    for text, names in told.items():
        lines += [f"  in {', '.join(names)}:"] * (len(told) > 1)
        lines.append(text)
    return "\n".join(lines)


def _answers(prepared: Sequence[PreparedBlank], checks: Sequence[Sequence[Check]]) -> list[Answer]:
    """What every rule says of every memory; without a layout that its checksums are unknown."""
    several = len(prepared) > 1
    found: list[Answer] = []
    for one, said in zip(prepared, checks, strict=True):
        memory = one.memory if several else None
        more = [_UNKNOWN_CHECKSUMS] if one.question.layout is None else []
        found += as_answers([*said, *more], memory)
    return found


def _sum(prepared: Sequence[PreparedBlank]) -> str:
    """How many bytes change in all, and the identity that goes."""
    plans = [one.question.plan for one in prepared if one.question.plan]
    size = sum(plan.edits.size for plan in plans)
    runs = sum(len(plan.edits) for plan in plans)
    gone = sorted({mask_vin(text) for one in prepared for text in one.question.identities})
    told = f"{count_of(size, 'byte')} in {count_of(runs, 'run')}"
    return f"{told}; identity to be removed: {', '.join(gone) or 'none was found'}"


def _passed_over_lines(passed_over: Sequence[PassedOver]) -> list[str]:
    if not passed_over:
        return []
    rows = [[safe_text(each.memory), f"{each.reason}."] for each in passed_over]
    return [f"{terminal.heading('Not planned')}\n{terminal.table(rows)}"]


def _together_line(prepared: Sequence[PreparedBlank]) -> str:
    plans = prepared[0].question.confirmed_plans
    names = ", ".join(safe_text(one.memory or "") for one in prepared)
    digest = digest_words(digest_of_plans(plans))
    line = terminal.labelled("digest of the plans", digest, width=terminal.terminal_width())
    return f"{terminal.heading(f'Together: {names}')}\n{line}"


def _plan_lines(question: GateQuestion, width: int, *, with_bytes: bool) -> str:
    plan = question.plan
    nothing = "  Nothing to change: everything asked for is already blank."
    if plan is None:
        return nothing
    lines = [] if plan.edits else [nothing]
    hidden = _hidden(question)
    for edit in show_edits(plan, hidden, most=None if with_bytes else _MOST_EDITS):
        lines += _edit_lines(edit, width, with_bytes=with_bytes)
    if plan.edits and not with_bytes:
        left = len(plan.edits) - _MOST_EDITS
        lines += [f"  ... and {count_of(left, 'more run')}"] * (left > 0)
        lines.append(f"  (--all shows {'all of them and ' if left > 0 else ''}the bytes)")
    for kept in plan.kept:
        text = f"kept {format_span(kept.span)}: {kept.reason}"
        lines.append(terminal.paragraph(text, width=width))
    digest = digest_words(plan.sha256())
    lines.append(terminal.labelled("digest of the plan", digest, width=width))
    return "\n".join(lines)


def _edit_lines(edit: ShownEdit, width: int, *, with_bytes: bool) -> list[str]:
    """What one run becomes; few bytes stand beside its name."""
    named = f"{format_span_with_length(edit.span)}  {edit.reason}"
    if not with_bytes:
        return [terminal.paragraph(named, width=width)]
    if edit.old is None or edit.new is None:
        return [
            terminal.paragraph(named, width=width),
            "      protected: the bytes are not shown",
        ]
    old = short_bytes_words(edit.old, _SHOWN_BYTES)
    new = folded_bytes_words(edit.new, _SHOWN_BYTES)
    beside = f"  {safe_text(named)}: {old} -> {new}"
    if len(edit.span) <= _FEW and len(beside) <= width:
        return [beside]
    return [
        terminal.paragraph(named, width=width),
        terminal.labelled("old", old, width=width, indent=6, label_width=3),
        terminal.labelled("new", new, width=width, indent=6, label_width=3),
    ]


def _hidden(question: GateQuestion) -> tuple[Span, ...]:
    """What lies in a protected region by any layout of the job is never shown."""
    return spans_of_kind(question.guarded, RegionKind.PROTECTED)


def _rules_line(checks: Sequence[Check]) -> str:
    """How many rules allowed it; what was left open is never counted as allowed."""
    left = [check for check in checks if check.result is not Verdict.PASS]
    if not left:
        return f"All {len(checks)} rules of the gate allowed it."
    codes = ", ".join(check.code for check in left)
    return f"{len(checks) - len(left)} of {len(checks)} rules allowed it; left open: {codes}."


def _trace_lines(prepared: PreparedBlank, width: int) -> str:
    if not prepared.question.identities:
        return "  There was nothing to search for: no VIN was named or found."
    searched = describe_search()
    found = "Nothing was found." if not prepared.matches else "Found:"
    text = f"{searched[:1].upper()}{searched[1:]}. {found}"
    lines = [terminal.paragraph(text, width=width)]
    lines += [
        terminal.paragraph(tell_match(match), width=width, indent=4) for match in prepared.matches
    ]
    return "\n".join(lines)


def plan_document(
    prepared: Sequence[PreparedBlank], passed_over: Sequence[PassedOver] = ()
) -> dict[str, Any]:
    """The plan as the JSON document of ``benchimage blank --dry-run``."""
    return document(
        "blank",
        dry_run=True,
        memories=[_memory_value(one, out=None, sha256=None) for one in prepared],
        checks=[value for one in prepared for value in _check_values(one, one.checks)]
        + _passed_over_values(passed_over),
    )


def blank_document(
    written: Sequence[WrittenBlank], passed_over: Sequence[PassedOver] = ()
) -> dict[str, Any]:
    """What was written, as the JSON document of ``benchimage blank``."""
    return document(
        "blank",
        dry_run=False,
        memories=[_memory_value(one.prepared, out=one.out, sha256=one.sha256) for one in written],
        checks=[value for one in written for value in _check_values(one.prepared, one.checks)]
        + _passed_over_values(passed_over),
    )


def _memory_value(
    prepared: PreparedBlank, *, out: str | None, sha256: str | None
) -> dict[str, Any]:
    question = prepared.question
    return {
        "name": prepared.memory,
        "out": out,
        "sha256": sha256,
        "edits": edits_to_facts(question.plan, _hidden(question)) if question.plan else [],
        "kept": kept_to_facts(question.plan) if question.plan else [],
        "backup": question.reads.backup if question.reads else None,
        "leftovers": [
            {
                **span_value(match.span),
                "stored_as": match.stored_as,
                "part": match.part,
                "coding": match.coding,
                "expected_by_chance": match.expected_by_chance,
            }
            for match in prepared.matches
        ],
    }


def _check_values(prepared: PreparedBlank, checks: Sequence[Check]) -> list[dict[str, Any]]:
    values = checks_to_facts(checks)
    if prepared.question.layout is None:
        text = "Which checksums guard these bytes is unknown."
        values.append(_not_checked("checksums", "no layout names the checksums", text))
    return [{"code": value["code"], "memory": prepared.memory} | value for value in values]


def _passed_over_values(passed_over: Sequence[PassedOver]) -> list[dict[str, Any]]:
    text = "This memory is not planned."
    return [
        _not_checked("not-planned", each.reason, text) | {"memory": each.memory}
        for each in passed_over
    ]


def _not_checked(code: str, reason: str, text: str) -> dict[str, Any]:
    result = Verdict.NOT_CHECKED.value
    return {"code": code, "result": result, "reason": reason, "text": text, "spans": []}
