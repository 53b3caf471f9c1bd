"""Page one of the customer file: for the customer, who knows nothing of memories."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from memtool.core.finding import Verdict
from memtool.core.job.order import OldModule
from memtool.core.report.photo import Picture, check_picture
from memtool.core.report.report import LabelSerial, Outcome, Report
from memtool.core.role import Role
from memtool.render.page.blocks import (
    Block,
    Cell,
    Facts,
    Heading,
    Items,
    Letterhead,
    Look,
    Paragraph,
    Photo,
    Result,
    Row,
    Signatures,
    Table,
)
from memtool.render.values import date_words

OUTCOME_WORDS = {
    Outcome.DONE: "Done",
    Outcome.OPEN: "Done, with open points",
    Outcome.NOT_DONE: "Not done",
}
_NOT_SAID = "not on record"
_MOST_OPEN = 5
"""Open points on page one; the technical part has all of them, as the checks say them."""
_LONGEST_OPEN = 240
"""Characters of one there."""
_WHERE = {
    OldModule.CUSTOMER: "given back to the customer",
    OldModule.CORE: "returned as a core",
    OldModule.SCRAPPED: "scrapped",
    OldModule.SHOP: "kept by the shop",
}
_SIGNED = (
    "Signed by the technician: the work was done as this record says. Signed by the customer: this"
    " work was ordered, and this record{open_points} was explained and received."
)


def describe_customer_page(report: Report) -> Iterator[Block]:
    """All that stands on page one."""
    yield Result(report.outcome, OUTCOME_WORDS[report.outcome], report.result)
    yield Facts(_order(report))
    yield Heading("What was done, and why")
    yield Paragraph(" ".join(report.story))
    yield Heading("The modules")
    yield _modules(report)
    yield from _open_points(report.customer_points)
    yield Heading("Please note")
    yield Items(report.statements)
    open_points = " with its open points" if report.customer_points else ""
    yield Signatures(
        _SIGNED.format(open_points=open_points), ("Technician, date", "Customer, date")
    )


def describe_letterhead(report: Report) -> Letterhead | None:
    """Whose page it is; None where the shop has not said so."""
    if report.shop is None:
        return None
    logo = None
    if report.shop.logo is not None:
        picture = check_picture(report.shop.logo)
        if isinstance(picture, Picture):
            logo = Photo(report.shop.logo, picture, f"Logo of {report.shop.name}")
    return Letterhead(report.shop.name, report.shop.address, logo)


def _order(report: Report) -> list[tuple[str, Cell]]:
    facts = report.facts
    plate = f", plate {facts.plate}" if facts.plate else ""
    rows = [
        ("date", date_words(report.as_of)),
        ("order", facts.work_order or _NOT_SAID),
        ("customer", facts.customer or _NOT_SAID),
        ("vehicle", f"VIN {facts.vehicle_vin or _NOT_SAID}{plate}"),
        ("technician", facts.technician or _NOT_SAID),
    ]
    return [(label, Cell(text)) for label, text in rows]


def _modules(report: Report) -> Table:
    facts = report.facts
    bought = facts.donor_source or "seller not on record"
    receipt = f"receipt {facts.donor_receipt}" if facts.donor_receipt else "receipt not on record"
    where = _WHERE.get(facts.old_module) if facts.old_module else None
    rows = (
        (Role.ORIGINAL, "old module", facts.original_part, where or "where it is: not on record"),
        (Role.DONOR, "used module", facts.donor_part, f"from {bought}; {receipt}"),
    )
    serials = {serial.role: serial for serial in report.serials}
    return Table(
        head=("module", "part number", "serial number on its label", "where from, where now"),
        rows=[
            Row(
                (
                    Cell(name, Look.STRONG),
                    Cell(part or _NOT_SAID),
                    Cell(_serial_words(serials[role])),
                    Cell(place),
                )
            )
            for role, name, part, place in rows
        ],
        widths=(0, 2, 4, 4),
    )


def _serial_words(serial: LabelSerial) -> str:
    if serial.label is None:
        held = f"; its memory says {serial.memory}" if serial.memory else ""
        return f"{_NOT_SAID}{held}"
    match serial.result:
        case Verdict.PASS:
            return f"{serial.label}: its memory says the same"
        case Verdict.FAIL:
            return f"{serial.label}: but its memory says {serial.memory}"
    return f"{serial.label}: not compared with its memory"


def _open_points(points: Sequence[str]) -> Iterator[Block]:
    if not points:
        return
    yield Heading("What is open")
    shown = points if len(points) <= _MOST_OPEN else points[: _MOST_OPEN - 1]
    texts = [_shortened(text) for text in shown]
    left = len(points) - len(shown)
    if left:
        texts.append(f"{left} more.")
    yield Items(texts)
    yield Paragraph("The proof part says what was found for each point, and where.", Look.SMALL)


def _shortened(text: str) -> str:
    """The first words of a long sentence; the proof part has the whole."""
    if len(text) <= _LONGEST_OPEN:
        return text
    return f"{text[:_LONGEST_OPEN].rsplit(' ', 1)[0]} …"
