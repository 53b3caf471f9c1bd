"""What `report` shows: what was written, what is left open, what to look at before it goes out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

from memtool.core.finding import Verdict
from memtool.core.report.photo import check_picture
from memtool.core.report.report import Report, ShopProfile
from memtool.core.words import count_of
from memtool.render.page.customer_page import OUTCOME_WORDS
from memtool.render.page.html import Paper
from memtool.render.text import terminal
from memtool.render.words import safe_text

CUSTOMERS_COPY = "The customer's copy: the donor's VIN is masked"
SHOPS_COPY = "The shop's own copy, with every VIN in full"
_PAPERS = {Paper.A4: "A4", Paper.LETTER: "Letter"}
OPENS_WITH = "It opens in this machine's own viewer; print it there."
NO_VIEWER = (
    "This machine has no screen or no viewer for it: copy the file to one that has, and print it"
    " there."
)


def tell_paper(paper: Paper) -> str:
    """On which paper it is made, a sentence."""
    return f"Paper: {_PAPERS[paper]}."


class WrittenFile(Protocol):
    """The customer file and where it lies."""

    @property
    def report(self) -> Report: ...
    @property
    def page(self) -> Path: ...
    @property
    def pdf(self) -> Path | None: ...
    @property
    def no_pdf(self) -> str | None: ...
    @property
    def pdf_notes(self) -> Sequence[str]: ...
    @property
    def json(self) -> Path: ...


def render_open(report: Report) -> str:
    """What the report will say is not done, not checked, or left to a person."""
    width = terminal.terminal_width()
    heading = terminal.heading("Not done, not checked, or for a person to decide")
    if not report.open_points:
        return f"{heading}\n  Nothing."
    return f"{heading}\n{terminal.cautions(map(safe_text, report.open_points), width=width)}"


def render_written(written: WrittenFile) -> str:
    """Where the files lie, and how much is left open."""
    report = written.report
    width = terminal.terminal_width()
    failed = sum(line.result is Verdict.FAIL for line in report.proof)
    changed = sum(change.blanking.edits.size for change in report.changes)
    rows = [("page", str(written.page))]
    if written.pdf is not None:
        rows.append(("pdf", str(written.pdf)))
    rows += [
        ("facts", str(written.json)),
        ("result", OUTCOME_WORDS[report.outcome].lower()),
        ("changed", count_of(changed, "byte")),
        ("open", count_of(len(report.open_points), "point")),
    ]
    if failed:
        rows.append(("fail", count_of(failed, "proof line")))
    lines = [terminal.labelled(label, text, width=width) for label, text in rows]
    return "\n".join([terminal.heading(report.result), *lines])


def find_logo_problem(shop: ShopProfile) -> str | None:
    """Why the logo that was kept cannot stand on page one; None where it can, or there is none."""
    found = None if shop.logo is None else check_picture(shop.logo)
    if not isinstance(found, str):
        return None
    return (
        f"The shop's logo is left out, it is {found}:"
        " give it again with 'benchimage job shop --logo FILE'."
    )


def notes_on(written: WrittenFile, *, no_pdf: bool) -> list[str]:
    """What the technician should know before the file is handed over."""
    notes = list(written.pdf_notes)
    if written.no_pdf is not None and not no_pdf:
        notes.append(written.no_pdf)
    if written.report.shop is None:
        notes.append("Page one names no shop yet: benchimage job shop --name TEXT --address LINE")
    elif (problem := find_logo_problem(written.report.shop)) is not None:
        notes.append(problem)
    shown = [item.file.name for item in written.report.attachments if item.data is not None]
    if shown and not written.report.is_shop_copy:
        notes.append(
            f"Photos are shown unchanged ({', '.join(shown)}):"
            " make sure that none shows the donor's VIN."
        )
    return notes
