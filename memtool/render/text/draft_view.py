"""What `layout draft` shows: each guess with its evidence, what is unknown, what would help."""

from __future__ import annotations

from typing import Any

from memtool.core.checksums.checksum import ChecksumRule
from memtool.core.drafting.draft import ChecksumGuess, Draft, ModuleReads, RecordsGuess, RegionGuess
from memtool.core.layouts.region import BlankSource, Region
from memtool.core.role import Role
from memtool.core.span import count_addresses, format_span
from memtool.core.words import count_of, listed_spans
from memtool.render.text import terminal
from memtool.render.values import name_words, span_value, span_values
from memtool.render.words import safe_text


def render_draft(draft: Draft, modules: tuple[ModuleReads, ...]) -> str:
    """The draft as text."""
    width = terminal.terminal_width()
    parts = [terminal.heading("Drafted from"), terminal.table([_module_row(m) for m in modules])]
    parts += ["", terminal.heading("Guesses")]
    for records in draft.records:
        parts.append(_records_lines(records, width))
    for guess in draft.guesses:
        parts.append(_guess_lines(guess, width))
    if not draft.guesses and not draft.records:
        parts.append("  none")
    unknown = count_addresses(draft.unknown)
    parts += ["", terminal.heading("Unknown")]
    text = f"{count_of(unknown, 'byte')} in {count_of(len(draft.unknown), 'run')}"
    if draft.unknown:
        text += f": {listed_spans(draft.unknown, most=8)}. They stay as they are."
    parts.append(terminal.labelled("", text, width=width, label_width=0, indent=1))
    if draft.notes:
        parts += ["", terminal.heading("Notes"), terminal.cautions(draft.notes, width=width)]
    return "\n".join(parts)


def _module_row(module: ModuleReads) -> list[str]:
    vin = f"VIN {safe_text(module.vin)}" if module.vin else "VIN as found"
    return [
        safe_text(module.name),
        module.role.value if module.role else "",
        "never configured" if module.role is Role.REFERENCE else vin,
        count_of(len(module.reads), "read"),
    ]


def _records_lines(guess: RecordsGuess, width: int) -> str:
    head = f"  {format_span(guess.rules.span):<15} {safe_text(guess.rules.name)}:"
    head += f" a store of records ({guess.confidence.value})"
    text = safe_text(" ".join(guess.evidence))
    return head + "\n" + terminal.labelled("", text, width=width, indent=4, label_width=0)


def _guess_lines(guess: RegionGuess | ChecksumGuess, width: int) -> str:
    if isinstance(guess, RegionGuess):
        region = guess.region
        what = name_words(region.kind)
        if region.stored_as != "plain":
            what += f", stored as {region.stored_as}"
        span, name = region.span, region.name
    else:
        span, name, what = guess.rule.stored, guess.rule.name, guess.rule.algorithm
    head = f"  {format_span(span):<15} {safe_text(name)}: {what} ({guess.confidence.value})"
    text = " ".join(guess.evidence)
    return head + "\n" + terminal.labelled("", text, width=width, indent=4, label_width=0)


def draft_values(draft: Draft, modules: tuple[ModuleReads, ...]) -> dict[str, Any]:
    """The draft as JSON values."""
    return {
        "base": draft.span.start,
        "size": len(draft.span),
        "erased": draft.erased,
        "word_swapped": draft.word_swapped,
        "modules": [
            {
                "name": module.name,
                "role": module.role.value if module.role else None,
                "vin": module.vin,
                "reads": len(module.reads),
            }
            for module in modules
        ],
        "regions": [_region_value(guess) for guess in draft.regions],
        "checksums": [_checksum_value(guess) for guess in draft.checksums],
        "records": [
            {
                "name": guess.rules.name,
                **span_value(guess.rules.span),
                "regions": [each.region.name for each in guess.rules.regions],
                "confidence": guess.confidence.value,
                "evidence": list(guess.evidence),
            }
            for guess in draft.records
        ],
        "unknown": span_values(draft.unknown),
        "notes": list(draft.notes),
    }


def _region_value(guess: RegionGuess) -> dict[str, Any]:
    region = guess.region
    return {
        "name": region.name,
        **span_value(region.span),
        "kind": region.kind.value,
        "type": region.type.value if region.type else None,
        "stored_as": region.stored_as,
        "copy_of": region.copy_of,
        "blank_to": _blank_text(region),
        "confidence": guess.confidence.value,
        "evidence": list(guess.evidence),
    }


def _blank_text(region: Region) -> str | None:
    """``erased``, ``reference``, or the pattern as hex digits."""
    if region.blank_to is None or isinstance(region.blank_to, BlankSource):
        return None if region.blank_to is None else region.blank_to.value
    return region.blank_to.hex()


def _checksum_value(guess: ChecksumGuess) -> dict[str, Any]:
    rule: ChecksumRule = guess.rule
    return {
        "name": rule.name,
        "algorithm": rule.algorithm,
        "covers": span_values(rule.covers),
        "stored": span_value(rule.stored),
        "byte_order": rule.byte_order if len(rule.stored) > 1 else None,
        "when_blanked": rule.when_blanked.value,
        "confidence": guess.confidence.value,
        "evidence": list(guess.evidence),
        "expected_by_chance": guess.expected_by_chance,
    }
