"""The jobs of a store as rows of a table."""

from __future__ import annotations

from memtool.core.job.register import JobRow
from memtool.core.words import spaced
from memtool.render.words import safe_text

HEADINGS = ("Order", "Vehicle", "Next", "Changed", "Stage", "Module", "Memories")
"""What a narrow screen has no room for stands last: `row_line` tells it too."""


def row_line(row: JobRow) -> str:
    """One job in one line, whatever its table has room for; safe to print."""
    facts = (
        row.vehicle_vin or "no vehicle on record",
        f"{row.module_kind or 'unknown'} module",
        ", ".join(row.memories) or "no memory",
        spaced(row.stage),
    )
    return safe_text(" · ".join(facts))


def row_cells(row: JobRow, *, wrong: str | None = None) -> tuple[str, ...]:
    """One job in the order of `HEADINGS`, safe to print.

    Args:
        row: What the store remembers.
        wrong: Why the job cannot be opened, in a few words.
    """
    folder = row.folder.replace("\\", "/").rpartition("/")[2]
    return (
        safe_text(row.work_order or folder),
        safe_text(row.vehicle_vin[-6:] if row.vehicle_vin else "-"),
        safe_text(wrong or row.next or "-"),
        (row.changed or row.opened)[:16].replace("T", " "),
        safe_text(spaced(row.stage)),
        safe_text(spaced(row.module_kind or "-")),
        safe_text(", ".join(row.memories) or "-"),
    )
