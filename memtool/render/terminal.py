"""Results as lines of text for a terminal of 80 columns or more. Prints nothing.

Every word from outside passes `safe_text`; the verdict is always a word, never a colour
alone.
"""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Iterable, Sequence

import click

from memtool.core.finding import Check, Finding, Severity, Verdict
from memtool.core.identity.known_identity import VinFinding
from memtool.core.layouts.layout import Layout
from memtool.core.span import Span, format_span
from memtool.render.words import safe_text

_COLOURS = {
    "pass": "green",
    "fail": "red",
    "failure": "red",
    "not checked": "yellow",
    "warning": "yellow",
}


def terminal_width() -> int:
    """Columns to fill: the terminal's, at least 40 and at most 120; 80 where unknown."""
    return max(40, min(120, shutil.get_terminal_size((80, 24)).columns))


def heading(text: str) -> str:
    """A section's name."""
    return click.style(safe_text(text), bold=True)


def labelled(label: str, text: str, *, width: int, indent: int = 2, label_width: int = 12) -> str:
    """A label and a text beside it, wrapped under itself."""
    columns = indent + label_width + 1
    lines = textwrap.wrap(safe_text(text), max(20, width - columns), break_on_hyphens=False) or [""]
    shown = safe_text(label)
    colour = _COLOURS.get(shown)
    padded = " " * indent + shown.ljust(label_width) + " "
    if colour:
        padded = padded.replace(shown, click.style(shown, fg=colour), 1)
    return "\n".join([padded + lines[0], *(" " * columns + line for line in lines[1:])])


def table(rows: Sequence[Sequence[str]], *, indent: int = 2) -> str:
    """Columns aligned on the left; the last one wraps. Words must be safe already."""
    if not rows:
        return ""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]) - 1)]
    before = indent + sum(widths) + 2 * len(widths)
    room = max(16, terminal_width() - before)
    lines = []
    for row in rows:
        cells = [cell.ljust(width) for cell, width in zip(row, widths, strict=False)]
        last = textwrap.wrap(row[-1], room, break_on_hyphens=False)
        lines.append((" " * indent + "  ".join([*cells, *last[:1]])).rstrip())
        lines += [" " * before + line for line in last[1:]]
    return "\n".join(lines)


def checks(items: Iterable[Check], *, width: int) -> str:
    """One line or more a check: its result in words, what was found, and why not."""
    lines = []
    for check in items:
        text = check.text
        if check.spans and check.result is not Verdict.PASS:
            text += f" [{listed_spans(check.spans)}]"
        if check.reason:
            text += f" Not decided here: {check.reason}."
        lines.append(labelled(check.result.value.replace("-", " "), text, width=width))
    return "\n".join(lines)


def findings(items: Iterable[Finding], *, width: int, indent: int = 2) -> str:
    """One line or more a finding: severity, sentence, places."""
    return "\n".join(_finding(finding, width, indent) for finding in items)


def _finding(finding: Finding, width: int, indent: int) -> str:
    """Three lines at most: the places go first, then the sentence's end. JSON has all."""
    places = f" [{listed_spans(finding.spans)}]" if finding.spans else ""
    code = f" ({finding.code})"
    room = 3 * (width - indent - 9) - len(code)
    cut = finding.text[: max(40, room - 20)].rsplit(" ", 1)[0] + " …"
    shown = ""
    for text in (finding.text + places, finding.text, cut):
        shown = labelled(
            finding.severity.value, text + code, width=width, indent=indent, label_width=8
        )
        if shown.count("\n") < 3:
            break
    return shown


def weighty(items: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings of severity warning or failure."""
    return tuple(finding for finding in items if finding.severity is not Severity.INFO)


def listed_spans(spans: Sequence[Span], most: int = 3) -> str:
    """The first few spans, and how many more."""
    shown = ", ".join(format_span(span) for span in spans[:most])
    return shown if len(spans) <= most else f"{shown} and {len(spans) - most} more"


def vins(items: Sequence[VinFinding], layout: Layout | None) -> str:
    """Where VINs are: place, text, form, check digit, region."""
    rows = [["addresses", "VIN", "stored as", "check digit", "region" if layout else ""]]
    for vin in items:
        region = layout.region_at(vin.span.start) if layout else None
        digit = vin.check_digit.value.replace("-", " ")
        rows.append(
            [
                format_span(vin.span),
                safe_text(vin.text),
                vin.stored_as,
                digit,
                safe_text(region.name) if region else "",
            ]
        )
    return table(rows) if items else "  none found"


def cautions(items: Iterable[str], *, width: int) -> str:
    """Cautions as a list."""
    return "\n".join(
        textwrap.fill(
            item, width, initial_indent="  - ", subsequent_indent="    ", break_on_hyphens=False
        )
        for item in items
    )
