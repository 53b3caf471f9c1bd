"""What `layout learn` shows of one memory: what was written, what follows, what is proposed."""

from __future__ import annotations

from collections.abc import Sequence

from memtool.core.learning.learned import Learned, WrittenPlace
from memtool.core.words import count_of
from memtool.render.learned import (
    NO_ORIGINAL,
    address_words,
    checksum_words,
    likeness_words,
    place_words,
    proposal_words,
    warning_words,
)
from memtool.render.text import terminal
from memtool.render.values import name_words
from memtool.render.words import safe_text


def render_learned(memory: str, layout: str, learned: Learned) -> str:
    """One memory as text."""
    width = terminal.terminal_width()
    head = f"{safe_text(memory)} ({safe_text(layout)})"
    changed = count_of(learned.changed, "byte")
    text = f"{changed} differ between the file to program and the finished module."
    lines = [terminal.heading(head), f"  {text}"]
    if not learned.has_original:
        lines.append(f"  {NO_ORIGINAL}")
    lines += _places("What the maker's procedure wrote", learned.written)
    if learned.checksums:
        lines += ["", terminal.heading("Checksums that changed with it")]
        lines += [f"  {checksum_words(moved)}" for moved in learned.checksums]
    lines += _places("No region explains", learned.unexplained)
    lines += _places("Still blank", learned.still_blank)
    if learned.warnings:
        lines += ["", terminal.heading("Warnings")]
        lines.append(
            terminal.cautions([warning_words(each) for each in learned.warnings], width=width)
        )
    if learned.proposals:
        lines += ["", terminal.heading("Proposed changes")]
        for proposal in learned.proposals:
            lines.append(f"  {proposal_words(proposal)} ({proposal.confidence.value})")
            evidence = " ".join(proposal.evidence)
            lines.append(terminal.labelled("", evidence, width=width, indent=4, label_width=0))
    return "\n".join(lines)


def _places(heading: str, places: Sequence[WrittenPlace]) -> list[str]:
    if not places:
        return []
    rows = [
        [
            place_words(place),
            name_words(place.kind) if place.kind else "",
            count_of(place.count, "byte"),
            address_words(place),
            likeness_words(place),
        ]
        for place in places
    ]
    return ["", terminal.heading(heading), terminal.table(rows)]
