"""What `inspect` shows: file, health, agreement, VINs, fields, checksums, map."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from memtool.core.fields import DecodedField, FieldState
from memtool.core.finding import Finding
from memtool.core.image import Image
from memtool.core.inspection import Inspection
from memtool.core.span import Span, format_span, intersect_spans
from memtool.render import terminal
from memtool.render.as_json import document, finding_values, span_value, span_values, vin_values
from memtool.render.checksum_json import result_value
from memtool.render.words import count_of, safe_text

_MAP_CELLS = 64


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
            parts.append("  health        no sign of a bad read")
        infos = [finding for finding in found if finding not in weighty]
        if infos:
            parts.append(terminal.findings(infos, width=width))
    if inspection.agreement is not None:
        parts += ["", terminal.heading("Agreement of the reads"), _agreement(inspection, width)]
    parts += ["", terminal.heading("VINs"), terminal.vins(inspection.vins, inspection.layout)]
    parts += ["", terminal.heading("Map"), _map(reads[0].image, inspection)]
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


def _map(image: Image, inspection: Inspection) -> str:
    """One row of cells for the whole image: what lies where, one letter a cell."""
    extent = image.extent
    if extent is None:
        return "  empty"
    layout = inspection.layout
    erased = layout.erased if layout else 0xFF
    cells = min(_MAP_CELLS, len(extent))
    row = ""
    for cell in range(cells):
        start = extent.start + len(extent) * cell // cells
        end = max(start + 1, extent.start + len(extent) * (cell + 1) // cells)
        row += _cell(image, Span(start, end), inspection, erased)
    per_cell = max(1, len(extent) // cells)
    legend = "V VIN  # data  . erased  0 zero  - undefined"
    return f"  {row}\n  {format_span(extent)}, {per_cell} bytes a cell: {legend}"


def _cell(image: Image, span: Span, inspection: Inspection, erased: int) -> str:
    if any(vin.span.overlaps(span) for vin in inspection.vins):
        return "V"
    defined = intersect_spans(image.spans, [span])
    if not defined:
        return "-"
    data = b"".join(image.read(part) for part in defined)
    if data.count(erased) == len(data):
        return "."
    return "0" if data.count(0) == len(data) else "#"


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
