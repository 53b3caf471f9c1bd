"""What ``[records.page]`` says: pages, their states, numbers, marks and checksum."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from memtool.core.layouts.record_rules import (
    BitMarks,
    Covered,
    PageRules,
    PageState,
    Place,
    RecordChecksum,
)
from memtool.core.span import Span, format_span
from memtool.formats.layout_toml.faults import FaultBook
from memtool.formats.layout_toml.lines import KeyPath
from memtool.formats.layout_toml.record_checksums import judge_record_checksum
from memtool.formats.layout_toml.record_places import numbers_of, place_of
from memtool.lazy import late_module

if TYPE_CHECKING:
    from memtool.formats.layout_toml import shape
else:
    shape = late_module("memtool.formats.layout_toml.shape")  # loads pydantic

_BITS = (1, 2, 4, 8)


def judge_page(
    table: Mapping[str, Any] | None,
    path: KeyPath,
    label: str,
    record: int | None,
    span: Span | None,
    faults: FaultBook,
) -> PageRules | None:
    """Judge ``[records.page]``; None where there is none, or something is wrong."""
    if table is None:
        return None
    before = len(faults)
    values = shape.sound_values(shape.PageTable, table, path, faults)
    size, header = values.get("size"), values.get("header", 0)
    sequence = _sequence(values.get("sequence"), (*path, "sequence"), label, faults)
    state = _state(values.get("state"), (*path, "state"), label, faults)
    marks = _marks(values.get("marks"), (*path, "marks"), label, record, faults)
    checksum: RecordChecksum | None = None
    if values.get("checksum") is not None:
        checksum = judge_record_checksum(values["checksum"], (*path, "checksum"), label, faults)
        if checksum is not None and (checksum.covers is Covered.VALUE or checksum.where):
            text = f"{label}: a page's checksum has spans to cover, no value and no 'where'"
            faults.add((*path, "checksum"), "layout-checksum", text)
    if len(faults) > before or size is None:
        return None
    page = PageRules(
        size=size, header=header, sequence=sequence, state=state, marks=marks, checksum=checksum
    )
    _judge_places(page, path, label, record, faults)
    if span is not None and len(span) % size:
        text = f"{label}: pages of {size} bytes do not fill {format_span(span)} exactly"
        faults.add((*path, "size"), "layout-records", text)
    return page


def _sequence(
    table: Mapping[str, Any] | None, path: KeyPath, label: str, faults: FaultBook
) -> Place | None:
    if table is None:
        return None
    values = shape.sound_values(shape.PlaceTable, table, path, faults)
    return place_of(values, path, label, faults)


def _state(
    table: Mapping[str, Any] | None, path: KeyPath, label: str, faults: FaultBook
) -> PageState | None:
    if table is None:
        return None
    values = shape.sound_values(shape.MarkTable, table, path, faults)
    place = place_of({"type": "u8", **values}, path, label, faults)
    valid = numbers_of(values.get("valid"), (*path, "valid"), label, faults)
    return None if place is None or not valid else PageState(place=place, valid=valid)


def _marks(
    table: Mapping[str, Any] | None,
    path: KeyPath,
    label: str,
    record: int | None,
    faults: FaultBook,
) -> BitMarks | None:
    if table is None:
        return None
    before = len(faults)
    values = shape.sound_values(shape.MarksTable, table, path, faults)
    bits = values.get("bits")
    if bits is not None and bits not in _BITS:
        faults.add((*path, "bits"), "layout-records", f"{label}: marks have 1, 2, 4 or 8 bits")
    if record is None:
        text = f"{label}: marks in a bitmap need 'record': each entry has its own"
        faults.add(path, "layout-records", text)
    if len(faults) > before or bits is None:
        return None
    for name in ("valid", "free"):
        if values[name] >> bits:
            text = f"{label}: {name} = {values[name]} does not fit into {bits} bits"
            faults.add((*path, name), "layout-records", text)
    return BitMarks(at=values["at"], bits=bits, valid=values["valid"], free=values["free"])


def _judge_places(
    page: PageRules, path: KeyPath, label: str, record: int | None, faults: FaultBook
) -> None:
    if page.header >= page.size:
        text = f"{label}: a header of {page.header} bytes leaves no room in {page.size}"
        faults.add((*path, "header"), "layout-records", text)
        return
    named: list[tuple[str, Span, int]] = []
    if page.sequence is not None:
        named.append(("sequence", page.sequence.span, page.header))
    if page.state is not None:
        named.append(("state", page.state.place.span, page.header))
    if page.marks is not None and record is not None:
        bits = (page.size - page.header) // record * page.marks.bits
        named.append(("marks", Span(page.marks.at, page.marks.at + -(-bits // 8)), page.header))
    if page.checksum is not None and page.checksum.at >= 0:
        # A page's checksum may lie at its end, behind the records.
        field = Span(page.checksum.at, page.checksum.at + page.checksum.size)
        named.append(("checksum", field, page.size))
    for number, (name, span, limit) in enumerate(named):
        if span.end > limit:
            text = f"{label}: '{name}' at {format_span(span)} is outside the {limit} bytes it is in"
            faults.add((*path, name), "layout-span-outside", text)
        for other, taken, _ in named[:number]:
            if span.overlaps(taken):
                text = f"{label}: '{name}' at {format_span(span)} overlaps '{other}'"
                faults.add((*path, name), "layout-overlap", text)
