"""Layout files: TOML to `Layout`, every fault of a file at once and with its line."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from memtool.core.layouts.layout import MOST_TABLES, Layout
from memtool.errors import Fault
from memtool.formats.layout_toml.checksums import ChecksumDraft, judge_checksum
from memtool.formats.layout_toml.faults import FaultBook, layout_error
from memtool.formats.layout_toml.lines import DEEPEST, KeyPath, find_deep_key, find_lines
from memtool.formats.layout_toml.records import RecordsDraft, judge_records
from memtool.formats.layout_toml.rules import judge_together
from memtool.formats.layout_toml.tables import (
    Header,
    RegionDraft,
    judge_header,
    judge_region,
)
from memtool.lazy import late_module

if TYPE_CHECKING:
    from memtool.formats.layout_toml import shape
else:
    shape = late_module("memtool.formats.layout_toml.shape")  # loads pydantic

LARGEST_FILE = 1 << 21
"""Bytes of a layout file: a draft of `MOST_TABLES` regions with their evidence has 1.1 MB."""
LONGEST_LINE = 4000
"""Characters. A key of many thousand dots would take the TOML reader minutes."""
_PLACE = re.compile(
    r" \(at (?:line (?P<line>[0-9]+), column (?P<column>[0-9]+)|end of document)\)$"
)
_TABLES = ("layout", "region", "checksum", "records")


def parse_layout(text: str) -> Layout:
    """Read a layout from TOML text.

    Raises:
        LayoutError: carries every fault with its line (the first 20, and their number).
    """
    _require_short_lines(text)
    _require_shallow_keys(text)
    tables = _parse_toml(text)
    faults = FaultBook(find_lines(text))
    layout = _judge(tables, faults)
    faults.require_none()
    assert layout is not None
    return layout


def decode_layout(data: bytes) -> str:
    """The text of a layout file.

    Raises:
        LayoutError: it is not UTF-8, or begins with a byte order mark.
    """
    if data.startswith(b"\xef\xbb\xbf"):
        text = "the file begins with a byte order mark; save it again without one"
        raise layout_error([Fault(code="layout-encoding", text=text, line=1, column=1)])
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        text = f"byte 0x{data[error.start]:02x} is not UTF-8 text"
        raise layout_error([Fault(code="layout-encoding", text=text, line=line)]) from None


def _require_short_lines(text: str) -> None:
    for number, line in enumerate(text.split("\n"), 1):
        if len(line) > LONGEST_LINE:
            words = f"the line is longer than {LONGEST_LINE} characters"
            raise layout_error([Fault(code="layout-line-length", text=words, line=number)])


def _require_shallow_keys(text: str) -> None:
    line = find_deep_key(text)
    if line is not None:
        words = f"a key has more than {DEEPEST} parts, the most that a layout's keys have"
        raise layout_error([Fault(code="layout-nesting", text=words, line=line)])


def _parse_toml(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError:
        words = "values are nested too deeply for a layout"
        raise layout_error([Fault(code="layout-nesting", text=words)]) from None
    except ValueError as error:
        # Most are tomllib.TOMLDecodeError; a number of thousands of digits is a bare one.
        message = str(error)
        place = _PLACE.search(message)
        words = message[: place.start()] if place else "a value cannot be read"
        line, column = text.count("\n") + 1 if place else None, None
        if place and place["line"]:
            line, column = int(place["line"]), int(place["column"])
        fault = Fault(
            code="layout-syntax", text=f"not TOML: {words[:200]}", line=line, column=column
        )
        raise layout_error([fault]) from None


def _judge(tables: dict[str, Any], faults: FaultBook) -> Layout | None:
    """Judge the whole file; None where the faults say why."""
    for name in tables:
        if name not in _TABLES:
            text = f"unknown key '{shape.safe_key(name)}'{faults.suggest(name, _TABLES)}"
            faults.add((name,), "layout-unknown-key", text)
    header = _judge_header(tables.get("layout"), faults)
    space = None if header is None else header.span
    regions: list[RegionDraft] = []
    for index, table in enumerate(_tables_of(tables, "region", faults)):
        path: KeyPath = ("region", index)
        values = shape.sound_values(shape.RegionTable, table, path, faults)
        regions.append(judge_region(values, path, space, faults))
    checksums: list[ChecksumDraft] = []
    for index, table in enumerate(_tables_of(tables, "checksum", faults)):
        path = ("checksum", index)
        values = shape.sound_values(shape.ChecksumTable, table, path, faults)
        checksums.append(judge_checksum(values, path, space, faults))
    records: list[RecordsDraft] = []
    for index, table in enumerate(_tables_of(tables, "records", faults)):
        path = ("records", index)
        values = shape.sound_values(shape.RecordsTable, table, path, faults)
        records.append(judge_records(values, path, space, faults))
    judge_together(regions, checksums, records, faults)
    if len(faults) or header is None:
        return None
    return _build(header, regions, checksums, records)


def _judge_header(table: object, faults: FaultBook) -> Header | None:
    if not isinstance(table, Mapping):
        words = "must be one table" if table is not None else "is missing"
        faults.add(("layout",), "layout-key-missing", f"[layout] {words}")
        return None
    return judge_header(shape.sound_values(shape.LayoutTable, table, ("layout",), faults), faults)


def _tables_of(tables: dict[str, Any], word: str, faults: FaultBook) -> list[Mapping[str, Any]]:
    """The tables of ``[[word]]``, in the order of the file."""
    found = tables.get(word, [])
    if isinstance(found, Mapping):
        words = f"write [[{word}]] with two brackets: there can be several"
        faults.add((word,), "layout-value", words)
        return []
    if not isinstance(found, list) or not all(isinstance(table, Mapping) for table in found):
        faults.add((word,), "layout-value", f"'{word}' must be tables, each under [[{word}]]")
        return []
    if len(found) > MOST_TABLES:
        words = f"{len(found)} tables [[{word}]] are more than {MOST_TABLES}"
        faults.add((word,), "layout-value", words)
        return []
    return found


def _build(
    header: Header,
    regions: list[RegionDraft],
    checksums: list[ChecksumDraft],
    records: list[RecordsDraft],
) -> Layout:
    """The layout of a file without faults."""
    values = header.values
    assert header.module is not None
    return Layout(
        name=values["name"],
        chip=values["chip"],
        base=values.get("base", 0),
        size=values["size"],
        erased=values.get("erased", 0xFF),
        module=header.module,
        parts=tuple(values.get("parts", ())),
        reviewed=values.get("reviewed", False),
        regions=tuple(draft.to_region() for draft in regions),
        checksums=tuple(draft.rule for draft in checksums if draft.rule is not None),
        records=tuple(draft.rules for draft in records if draft.rules is not None),
    )
