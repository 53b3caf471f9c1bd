"""Results as JSON values, in the shapes that `docs/schema/` publishes."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from memtool.core.finding import Finding
from memtool.core.identity.known_identity import VinFinding
from memtool.core.layouts.layout import Layout
from memtool.core.span import Span


def document(command: str, **keys: Any) -> dict[str, Any]:
    """A document of a command: ``schema`` first."""
    return {"schema": f"benchimage.{command}/1", **keys}


def span_value(span: Span) -> dict[str, int]:
    """Half open."""
    return {"start": span.start, "end": span.end}


def span_values(spans: Iterable[Span]) -> list[dict[str, int]]:
    """Half open, in the order given."""
    return [span_value(span) for span in spans]


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
            }
        )
    return values
