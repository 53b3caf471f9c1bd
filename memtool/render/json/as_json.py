"""Results as JSON values, in the shapes that `docs/schema/` publishes."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from memtool.core.finding import Finding
from memtool.render.values import span_value, span_values

if TYPE_CHECKING:
    from memtool.core.layouts.layout import Layout
    from memtool.core.texts.vin_search import VinFinding

__all__ = ["document", "finding_values", "span_value", "span_values", "vin_values"]


_VERSIONS = {
    "blank": 2,
    "check": 2,
    "inspect": 2,
    "job-show": 2,
    "layout-check": 2,
    "layout-draft": 2,
    "layout-review": 2,
    "layout-show": 2,
    "report": 2,
    "start": 2,
}
"""Of the documents whose shape has changed since version 0.1.0; all others have version 1."""


def document(command: str, **keys: Any) -> dict[str, Any]:
    """A document of a command: ``schema`` first."""
    return {"schema": f"benchimage.{command}/{_VERSIONS.get(command, 1)}", **keys}


def finding_values(findings: Iterable[Finding]) -> list[dict[str, Any]]:
    """Code, severity, text, spans."""
    return [
        {
            "code": finding.code,
            "severity": finding.severity.value,
            "text": finding.text,
            "spans": span_values(finding.spans),
        }
        for finding in findings
    ]


def vin_values(vins: Iterable[VinFinding], layout: Layout | None) -> list[dict[str, Any]]:
    """VINs found in an image, with the region that each lies in."""
    values = []
    for vin in vins:
        region = layout.region_at(vin.span.start) if layout else None
        values.append(
            {
                "text": vin.text,
                **span_value(vin.span),
                "stored_as": vin.stored_as,
                "region": region.name if region else None,
                "check_digit": vin.check_digit.value,
                "readings": [
                    {"text": each.text, **span_value(each.span), "stored_as": each.stored_as}
                    for each in vin.readings
                ],
            }
        )
    return values
