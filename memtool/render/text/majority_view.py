"""What `job majority` shows: each doubtful address with every read's value, and what was taken."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from memtool.core.health.agreement import LISTED_DIFFERENCES, ByteDifference
from memtool.core.job.events.kinds import ReadsBackedUp
from memtool.core.span import Span, format_address
from memtool.core.words import count_of
from memtool.render.json.as_json import document
from memtool.render.text import terminal
from memtool.render.words import safe_text

_ROWS = 40
HIDDEN = "··"


class VoteTaken(Protocol):
    """A vote that was taken and recorded."""

    @property
    def event(self) -> ReadsBackedUp: ...
    @property
    def file(self) -> str: ...
    @property
    def names(self) -> Sequence[str]: ...
    @property
    def doubtful_bytes(self) -> int: ...
    @property
    def differences(self) -> Sequence[ByteDifference]: ...
    @property
    def hidden(self) -> Sequence[Span]: ...
    @property
    def cause(self) -> str: ...
    @property
    def more_reads(self) -> int | None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """One doubtful address."""

    address: int
    values: tuple[int, ...] | None
    """Each read's; None: protected, and not shown."""
    chosen: int
    agreed: int
    """Reads that hold the chosen value."""


def _rows(done: VoteTaken) -> list[_Row]:
    rows = []
    for difference in done.differences:
        counts = {value: difference.values.count(value) for value in difference.values}
        chosen = max(counts, key=lambda value: counts[value])
        is_hidden = any(difference.address in span for span in done.hidden)
        rows.append(
            _Row(
                address=difference.address,
                values=None if is_hidden else difference.values,
                chosen=chosen,
                agreed=counts[chosen],
            )
        )
    return rows


def render_majority(done: VoteTaken) -> str:
    """The vote as text."""
    event, count = done.event, len(done.names)
    head = ["address", *(f"read {number}" for number in range(1, count + 1)), "taken", "agreed"]
    rows = _rows(done)
    cells = [
        [
            format_address(row.address),
            *([HIDDEN] * count if row.values is None else (f"{each:02X}" for each in row.values)),
            HIDDEN if row.values is None else f"{row.chosen:02X}",
            f"{row.agreed} of {count}",
        ]
        for row in rows[:_ROWS]
    ]
    lines = [
        terminal.heading(f"Majority of {count} reads: {event.role.value}'s {event.memory}"),
        *(f"  read {number}: {safe_text(name)}" for number, name in enumerate(done.names, 1)),
        "",
        terminal.table([head, *cells]),
    ]
    if any(row.values is None for row in rows[:_ROWS]):
        lines.append(f"  {HIDDEN} protected: not shown")
    left = done.doubtful_bytes - len(cells)
    if left > 0:
        more = count_of(left, "more byte")
        lines.append(f"  and {more} (--json lists the first {LISTED_DIFFERENCES:,})")
    cause = terminal.labelled("likely cause", done.cause, width=terminal.terminal_width())
    doubtful = count_of(done.doubtful_bytes, "byte")
    lines += [
        "",
        cause,
        f"  {doubtful} of {event.size:,} doubtful; every one has a majority.",
        f"  kept as {safe_text(done.file)}, backup {event.backup}",
    ]
    return "\n".join(lines)


def majority_document(done: VoteTaken) -> dict[str, Any]:
    """The vote as the JSON document of ``benchimage job majority``."""
    event = done.event
    return document(
        "job-majority",
        role=event.role.value,
        memory=event.memory,
        backup=event.backup,
        sha256=event.sha256,
        file=done.file,
        reads=list(done.names),
        doubtful_bytes=done.doubtful_bytes,
        doubtful=[
            {
                "address": row.address,
                "values": None if row.values is None else [f"{value:02x}" for value in row.values],
                "chosen": None if row.values is None else f"{row.chosen:02x}",
                "agreed": row.agreed,
            }
            for row in _rows(done)
        ],
        cause=done.cause,
        more_reads=done.more_reads,
    )
