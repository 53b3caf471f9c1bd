"""What `inspect` shows: file, health, agreement, VINs, fields, checksums, map."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from memtool.core.finding import Finding
from memtool.core.health.all_checks import HEALTH_CHECKS
from memtool.core.image import Image
from memtool.core.inspection import Inspection
from memtool.core.layouts.fields import DecodedField, FieldState
from memtool.core.span import format_span
from memtool.render import terminal, terminal_map
from memtool.render.as_json import document, finding_values, span_value, span_values, vin_values
from memtool.render.checksum_json import result_value
from memtool.render.words import count_of, safe_text

_MOST_SHOWN = 3
"""VINs whose bytes are shown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadFacts:
    """One file that was inspected."""

    path: str
    format: str
    file_sha256: str
    image: Image
    findings: tuple[Finding, ...]
    """What is safe but odd about the file."""


def render_inspection(
    reads: Sequence[ReadFacts], inspection: Inspection, *, layout_reason: str
) -> str:
    """The view as text."""
    width = terminal.terminal_width()
    parts: list[str] = []
    for read, health in zip(reads, inspection.health, strict=True):
        parts += [terminal.heading(safe_text(read.path)), _facts(read)]
        found = (*read.findings, *health)
        weighty = terminal.weighty(found)
        if weighty:
            parts.append(terminal.findings(weighty, width=width))
        else:
            text = f"no sign of a bad read (checked: {', '.join(HEALTH_CHECKS)})"
            parts.append(terminal.labelled("health", text, width=width))
        infos = [finding for finding in found if finding not in weighty]
        if infos:
            parts.append(terminal.findings(infos, width=width))
    if inspection.agreement is not None:
        parts += ["", terminal.heading("Agreement of the reads"), _agreement(inspection, width)]
    parts += ["", terminal.heading("VINs"), terminal.vins(inspection.vins, inspection.layout)]
    parts += ["", terminal.heading("Map"), _map(reads[0].image, inspection, width)]
    parts.append(terminal.labelled("layout", layout_reason, width=width))
    if inspection.layout is not None:
        parts += ["", terminal.heading("Fields"), _fields(inspection.fields)]
        parts += ["", terminal.heading("Checksums"), _checksums(inspection)]
    if inspection.findings:
        parts += ["", terminal.findings(inspection.findings, width=width)]
    return "\n".join(parts)


def _facts(read: ReadFacts) -> str:
    image = read.image
    rows = [
        ["format", read.format],
        ["size", count_of(image.size, "byte")],
        ["image sha256", image.sha256()],
    ]
    if read.file_sha256 != image.sha256():
        rows.append(["file sha256", read.file_sha256])
    spans = ", ".join(format_span(span) for span in image.spans[:4])
    more = len(image.spans) - 4
    rows.append(["addresses", spans + (f" and {more} more segments" if more > 0 else "")])
    return terminal.table(rows)


def _agreement(inspection: Inspection, width: int) -> str:
    agreement = inspection.agreement
    if agreement is None:
        return ""
    if agreement.agree:
        text = "  All reads hold the same bytes."
    else:
        text = f"  THE READS DIFFER in {count_of(agreement.differing_bytes, 'byte')}:"
        text += f" {terminal.listed_spans(agreement.spans, 4)}."
    shown = terminal.findings(agreement.findings, width=width)
    return f"{text}\n{shown}" if shown else text


def _map(image: Image, inspection: Inspection, width: int) -> str:
    """What lies where, and the bytes of the first VINs."""
    agreement = inspection.agreement
    drawn = terminal_map.render_map(
        image,
        layout=inspection.layout,
        vins=[vin.span for vin in inspection.vins],
        marked=agreement.spans if agreement else (),
        marks="the reads differ",
        width=width,
    )
    rows = [
        terminal_map.render_bytes(image, vin.span, layout=inspection.layout, width=width)
        for vin in inspection.vins[:_MOST_SHOWN]
    ]
    return "\n\n".join([drawn, *rows])


def _fields(fields: Sequence[DecodedField]) -> str:
    rows = [
        [format_span(field.span), safe_text(field.name), field.kind.value, field_text(field)]
        for field in fields
    ]
    return terminal.table(rows) if rows else "  the layout names none"


def field_text(field: DecodedField) -> str:
    """A field's value in words; what cannot be shown says why."""
    if field.state is FieldState.PROTECTED:
        return "protected: not shown"
    if field.state is FieldState.BLANK:
        return "blank"
    if field.state is FieldState.UNDEFINED:
        return "not in the image"
    value = field.value
    if isinstance(value, tuple):
        text = ", ".join(f"{safe_text(bit['name'])}={bit['value']}" for bit in value)
    else:
        text = safe_text(str(value)) if value is not None else ""
    if field.state is FieldState.FAULTY:
        return f"{text} ({safe_text(field.reason or 'no value of its type')})".strip()
    return text


def _checksums(inspection: Inspection) -> str:
    rows = [
        [
            safe_text(result.name),
            result.algorithm,
            f"stored {result.stored.hex() or '-'}",
            f"computed {result.computed.hex() or '-'}",
            result.result.value.replace("-", " ")
            + (f" ({result.reason})" if result.reason else ""),
        ]
        for result in inspection.checksums
    ]
    return terminal.table(rows) if rows else "  the layout names none"


def inspect_document(reads: Sequence[ReadFacts], inspection: Inspection) -> dict[str, Any]:
    """The view as the JSON document of ``benchimage inspect``."""
    agreement = inspection.agreement
    extra = agreement.findings if agreement else ()
    return document(
        "inspect",
        reads=[
            {
                "path": read.path,
                "format": read.format,
                "size": read.image.size,
                "file_sha256": read.file_sha256,
                "sha256": read.image.sha256(),
                "segments": span_values(read.image.spans),
                "findings": finding_values((*read.findings, *health)),
            }
            for read, health in zip(reads, inspection.health, strict=True)
        ],
        agreement=None
        if agreement is None
        else {
            "agree": agreement.agree,
            "differing_bytes": agreement.differing_bytes,
            "spans": span_values(agreement.spans),
        },
        vins=vin_values(inspection.vins, inspection.layout),
        fields=[
            {
                "name": field.name,
                "kind": field.kind.value,
                **span_value(field.span),
                "value": list(field.value) if isinstance(field.value, tuple) else field.value,
            }
            for field in inspection.fields
        ],
        checksums=[result_value(result) for result in inspection.checksums],
        findings=finding_values((*inspection.findings, *extra)),
    )
