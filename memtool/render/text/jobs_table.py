"""The jobs of a store as rows of a table."""

from __future__ import annotations

from memtool.core.job.register import JobRow
from memtool.core.words import spaced
from memtool.render.words import safe_text

HEADINGS = ("Order", "Vehicle", "Next", "Changed", "Stage", "Module", "Memories")
"""What a narrow screen has no room for stands last: `row_line` tells it too."""
_NEXT, _CHANGED = HEADINGS.index("Next"), HEADINGS.index("Changed")
NEEDED = _CHANGED + 1
"""Columns that a table of 80 columns has room for, if what is wrong is told in a word."""
_LONGEST_ORDER = 20


def row_line(row: JobRow, *, columns: int = len(HEADINGS), wrong: str | None = None) -> str:
    """One job in words, safe to print: what its row does not tell, and what it is.

    Args:
        row: What the store remembers.
        columns: How many of `HEADINGS` the table shows.
        wrong: Why the job cannot be opened, where the table tells it in a word.
    """
    told = [row.work_order] if row.work_order and len(row.work_order) > _LONGEST_ORDER else []
    told += [wrong] if wrong else []
    told += [f"next: {row.next}"] if row.next and columns <= _NEXT else []
    told += [f"changed {_minute(row)}"] if columns <= _CHANGED else []
    facts = (
        *told,
        row.vehicle_vin or "no vehicle on record",
        f"{row.module_kind or 'unknown'} module",
        ", ".join(row.memories) or "no memory",
        spaced(row.stage),
    )
    return safe_text(" · ".join(facts))


def _minute(row: JobRow) -> str:
    return (row.changed or row.opened)[:16].replace("T", " ")


def row_cells(row: JobRow, *, wrong: str | None = None, in_a_word: bool = False) -> tuple[str, ...]:
    """One job in the order of `HEADINGS`, safe to print.

    Args:
        row: What the store remembers.
        wrong: Why the job cannot be opened, in a few words.
        in_a_word: That it cannot, without why; a narrow table has no room for more.
    """
    order = row.work_order or row.folder.replace("\\", "/").rpartition("/")[2]
    if len(order) > _LONGEST_ORDER:
        order = f"{order[: _LONGEST_ORDER - 1]}…"
    if wrong and in_a_word:
        wrong = wrong.split(":")[0]
    return (
        safe_text(order),
        safe_text(row.vehicle_vin[-6:] if row.vehicle_vin else "-"),
        safe_text(wrong or row.next or "-"),
        _minute(row),
        safe_text(spaced(row.stage)),
        safe_text(spaced(row.module_kind or "-")),
        safe_text(", ".join(row.memories) or "-"),
    )
