"""The part of the customer file that says what the maker's procedure wrote."""

from __future__ import annotations

from collections.abc import Iterator

from memtool.core.report.procedure import ProcedureWriting, WrittenRow
from memtool.core.report.report import Report
from memtool.core.words import count_of, listed, spaced
from memtool.render.learned import (
    NO_ORIGINAL,
    address_words,
    checksum_words,
    likeness_words,
    place_words,
)
from memtool.render.page.blocks import Block, Cell, Heading, Items, Paragraph, Row, Table, code
from memtool.render.values import short_bytes_words

_MOST_SHOWN = 20
"""Bytes of one place."""


def describe_procedure(report: Report) -> Iterator[Block]:
    """Each memory whose finished read passed; nothing where there is none."""
    known = [(chip.chip, chip.procedure) for chip in report.chips if chip.procedure is not None]
    if not known:
        return
    yield Heading("What the maker's procedure wrote")
    yield Paragraph(
        "The file to program was compared with the memory as read after setup. The difference"
        " is what the maker's procedure, or the module itself, wrote."
    )
    for name, writing in known:
        if len(report.chips) > 1:
            yield Heading(f"Memory {name}", 2)
        yield from _memory(writing, is_shop_copy=report.is_shop_copy)


def _memory(writing: ProcedureWriting, *, is_shop_copy: bool) -> Iterator[Block]:
    if not writing.changed:
        yield Paragraph("Nothing: the memory holds the file to program, byte for byte.")
        return
    text = f"{count_of(writing.changed, 'byte')} differ."
    yield Paragraph(text if writing.has_original else f"{text} {NO_ORIGINAL}")
    rows = [
        *((row, str(row.place.kind)) for row in writing.written),
        *((row, "no region explains it") for row in writing.unexplained),
    ]
    if rows:
        last = ("holds now",) if is_shop_copy else ()
        yield Table(
            head=("what", "kind", "where", "bytes", "compared", *last),
            rows=[_row(row, kind, is_shop_copy=is_shop_copy) for row, kind in rows],
            widths=(3, 2, 3, 0, 3, *((4,) if is_shop_copy else ())),
        )
    if writing.checksums:
        yield Paragraph("Checksums that changed with it:")
        yield Items([checksum_words(moved) for moved in writing.checksums])
    if writing.still_blank:
        names = listed(place_words(place) for place in writing.still_blank)
        yield Paragraph(f"Removed, and still blank: {names}.")


def _row(row: WrittenRow, kind: str, *, is_shop_copy: bool) -> Row:
    place = row.place
    where = address_words(place)
    what = place_words(place) if place.name or place.key is not None else "bytes"
    held = short_bytes_words(row.new, _MOST_SHOWN)
    return Row(
        (
            Cell(what),
            Cell(spaced(str(place.kind) if place.is_protected else kind)),
            code(where),
            Cell(str(place.count)),
            Cell(likeness_words(place)),
            *((code(held),) if is_shop_copy else ()),
        )
    )
