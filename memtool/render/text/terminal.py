"""Results as lines of text for a terminal of 80 columns or more. Prints nothing.

Every word from outside passes `safe_text`; the verdict is always a word, never a colour
alone.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from enum import StrEnum
from typing import TYPE_CHECKING

import click

from memtool.core.finding import Finding, Severity
from memtool.core.span import format_span
from memtool.core.words import listed_spans
from memtool.render.late import values
from memtool.render.text.wrapping import terminal_width as terminal_width
from memtool.render.text.wrapping import wrap as wrap
from memtool.render.words import safe_text

if TYPE_CHECKING:
    from memtool.core.layouts.layout import Layout
    from memtool.core.texts.vin_search import VinFinding

_COLOURS = {
    "pass": "green",
    "fail": "red",
    "failure": "red",
    "not checked": "yellow",
    "you decide": "yellow",
    "warning": "yellow",
    "incomplete": "yellow",
    "only counters differ": "yellow",
    "out of date": "yellow",
}
LABEL = 12
"""Signs of the column of verdicts, severities and the like."""
_READS_WELL = 16
"""Signs that a column of a table keeps as long as another can give way."""


def heading(text: str) -> str:
    """A section's name, or the sentence that an answer begins with."""
    lines = wrap(safe_text(text), terminal_width())
    return "\n".join(click.style(line, bold=True) for line in lines)


def verdict_heading(label: str, verdict: StrEnum, text: str) -> str:
    """A heading that begins with a verdict, in its colour where there are colours."""
    words = safe_text(text)
    colour = _COLOURS.get(values.verdict_words(verdict))
    lines = wrap(f"{label}: {words}", terminal_width())
    return "\n".join(click.style(line, bold=True, fg=colour) for line in lines)


def labelled(
    label: str, text: str, *, width: int, indent: int = 2, label_width: int = LABEL
) -> str:
    """A label and a text beside it, wrapped under itself."""
    columns = indent + max(label_width, len(label)) + 1
    lines = wrap(safe_text(text), width - columns)
    shown = safe_text(label)
    colour = _COLOURS.get(shown)
    padded = " " * indent + shown.ljust(label_width) + " "
    if colour:
        padded = padded.replace(shown, click.style(shown, fg=colour), 1)
    return "\n".join([padded + lines[0], *(" " * columns + line for line in lines[1:])])


def paragraph(text: str, *, width: int, indent: int = 2) -> str:
    """A text by itself, wrapped by words."""
    lines = wrap(safe_text(text), width - indent)
    # Nearly always one, and a large plan has a hundred thousand.
    if len(lines) == 1:
        return " " * indent + lines[0]
    return "\n".join(" " * indent + line for line in lines)


def table(rows: Sequence[Sequence[str]], *, indent: int = 2) -> str:
    """Columns aligned on the left, in which words wrap and are never cut.

    Where not even the longest words fit side by side, each row is a paragraph: its first cell,
    and the others below it. Words must be safe already.
    """
    if not rows:
        return ""
    room = terminal_width() - indent
    widths = _column_widths(rows, room)
    if widths is None:
        return "\n".join(line for row in rows for line in _stacked(row, indent, room))
    lines = []
    for row in rows:
        cells = [wrap(cell, width) for cell, width in zip(row, widths, strict=False)]
        for number in range(max(map(len, cells))):
            parts = [
                (cell[number] if number < len(cell) else "").ljust(width)
                for cell, width in zip(cells, widths, strict=False)
            ]
            lines.append((" " * indent + "  ".join(parts)).rstrip())
    return "\n".join(lines)


def _column_widths(rows: Sequence[Sequence[str]], room: int) -> list[int] | None:
    """Columns that fit into `room` with two blanks between; None where no words can."""
    columns = range(max(map(len, rows)))
    lengths = [Counter(len(row[at]) for row in rows if at < len(row)) for at in columns]
    least = [
        max(len(word) for row in rows if at < len(row) for word in [*row[at].split(), ""])
        for at in columns
    ]
    widths = [max(column) for column in lengths]
    last = len(widths) - 1

    def price(at: int) -> tuple[bool, int, bool, int]:
        """Of one column less: too narrow to read well, cells that wrap anew, not the last."""
        return (
            widths[at] <= min(_READS_WELL, max(lengths[at])) and lengths[at][widths[at]] > 1,
            lengths[at][widths[at]],
            at != last,
            least[at] - widths[at],
        )

    while sum(widths) + 2 * last > room:
        spare = [at for at in columns if widths[at] > least[at]]
        if not spare:
            return None
        widths[min(spare, key=price)] -= 1
    return widths


def _stacked(row: Sequence[str], indent: int, room: int) -> list[str]:
    first, *others = [cell for cell in row if cell] or [""]
    lines = [" " * indent + line for line in wrap(first, room)]
    return lines + [" " * (indent + 2) + line for cell in others for line in wrap(cell, room - 2)]


def findings(items: Iterable[Finding], *, width: int, indent: int = 2, label_width: int = 8) -> str:
    """One line or more a finding: severity, sentence, places; never cut."""
    return "\n".join(_finding(finding, width, indent, label_width) for finding in items)


def _finding(finding: Finding, width: int, indent: int, label_width: int) -> str:
    places = f" [{listed_spans(finding.spans)}]" if finding.spans else ""
    text = f"{finding.text}{places} ({finding.code})"
    return labelled(
        finding.severity.value, text, width=width, indent=indent, label_width=label_width
    )


def weighty(items: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings of severity warning or failure, failures first."""
    chosen = [finding for finding in items if finding.severity is not Severity.INFO]
    return tuple(sorted(chosen, key=lambda finding: finding.severity is not Severity.FAILURE))


def vins(items: Sequence[VinFinding], layout: Layout | None) -> str:
    """Where VINs are: place, text, form, check digit, region."""
    return table([vin_head(layout), *vin_rows(items, layout)]) if items else "  none found"


def vin_head(layout: Layout | None) -> list[str]:
    """The names of the columns of `vin_rows`."""
    return ["addresses", "VIN", "stored as", "check digit", *(["region"] if layout else [])]


def vin_rows(items: Sequence[VinFinding], layout: Layout | None) -> list[list[str]]:
    """A row for each VIN, and for each other reading of the text beside it."""
    rows = []
    for vin in items:
        region = layout.region_at(vin.span.start) if layout else None
        named = [safe_text(region.name) if region else ""] if layout else []
        digit = values.name_words(vin.check_digit)
        rows.append([format_span(vin.span), safe_text(vin.text), vin.stored_as, digit, *named])
        # Text beside a VIN can make several of it: the others stand below it.
        rows += [
            [
                format_span(each.span),
                f"or {safe_text(each.text)}",
                each.stored_as,
                "",
                *([""] if layout else []),
            ]
            for each in vin.readings
        ]
    return rows


def cautions(items: Iterable[str], *, width: int) -> str:
    """Cautions as a list."""
    return "\n".join(labelled("-", item, width=width, label_width=1) for item in items)
