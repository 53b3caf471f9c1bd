"""The shape of a layout file: which keys a table has, of which types.

This module is imported only when a layout is read: pydantic takes long to load. Only the
shape is judged here, strictly and without turning one type into another; what the values
mean is judged in `memtool.formats.layout_toml.tables`.
"""

from __future__ import annotations

from collections.abc import Mapping, Set
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from memtool.formats.layout_toml.faults import FaultBook
from memtool.formats.layout_toml.lines import KeyPath

LARGEST = (1 << 32) - 1
"""Addresses, sizes and totals have 32 bits at most."""
LONGEST_TEXT = 200
LONGEST_LIST = 1000

Number = Annotated[int, Field(ge=0, le=LARGEST)]
Byte = Annotated[int, Field(ge=0, le=0xFF)]
Text = Annotated[str, Field(min_length=1, max_length=LONGEST_TEXT)]
Length = Annotated[int, Field(ge=1, le=LARGEST)]
Inner = dict[str, Any]
"""A table inside a table."""
TextList = Annotated[list[Text], Field(max_length=LONGEST_LIST)]


class _Table(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid")


class LayoutTable(_Table):
    """``[layout]``"""

    name: Text
    chip: Text
    base: Number = 0
    size: Annotated[int, Field(ge=1, le=LARGEST)]
    erased: Byte = 0xFF
    module: Text
    parts: TextList = []
    reviewed: bool = False


class RegionTable(_Table):
    """``[[region]]``"""

    name: Text
    span: Text
    kind: Text
    type: Text | None = None
    stored_as: Text = "plain"
    copy_of: Text | None = None
    blank_to: str | int | None = None
    bits: Annotated[dict[Text, Text], Field(max_length=LONGEST_LIST)] | None = None


class ChecksumTable(_Table):
    """``[[checksum]]``"""

    name: Text
    algorithm: Text
    covers: Annotated[TextList, Field(min_length=1)]
    stored: Text
    byte_order: Text | None = None
    total: Number | None = None
    when_blanked: Text


class RecordsTable(_Table):
    """``[[records]]``; what has tables of its own is judged table by table."""

    name: Text
    span: Text
    record: Length | None = None
    length: Inner | None = None
    key: Any
    newest: Inner
    mark: Inner | None = None
    value: Inner | None = None
    checksum: Any = None
    page: Inner | None = None
    region: list[Inner] = []


class PlaceTable(_Table):
    """A number, text or bytes in a record."""

    at: Number
    type: Text
    size: Length | None = None


class LengthTable(_Table):
    """``length`` of ``[[records]]``"""

    at: Number
    type: Text
    counts: Text
    plus: Number | None = None
    align: Length = 1


class NewestTable(_Table):
    """``newest`` of ``[[records]]``"""

    by: Text
    at: Number | None = None
    type: Text | None = None


class MarkTable(_Table):
    """``mark`` of ``[[records]]``, ``state`` of ``[records.page]``"""

    at: Number
    type: Text = "u8"
    valid: Any


class WhereTable(_Table):
    """``where``"""

    at: Number
    type: Text = "u8"
    one_of: Any


class ValueTable(_Table):
    """``value`` of ``[[records]]``"""

    at: Number
    size: Length | None = None
    length: Inner | None = None
    where: Inner | None = None


class RecordChecksumTable(_Table):
    """``checksum`` of ``[[records]]`` and of ``[records.page]``"""

    algorithm: Text
    covers: Any
    at: Annotated[int, Field(ge=-LARGEST, le=LARGEST)]
    byte_order: Text | None = None
    when_blanked: Text
    where: Inner | None = None


class PageTable(_Table):
    """``[records.page]``"""

    size: Length
    header: Number = 0
    sequence: Inner | None = None
    state: Inner | None = None
    marks: Inner | None = None
    checksum: Inner | None = None


class MarksTable(_Table):
    """``marks`` of ``[records.page]``"""

    at: Number
    bits: Length
    valid: Number
    free: Number


class RecordRegionTable(RegionTable):
    """``[[records.region]]``"""

    key: Any = None
    keys: Any = None


def sound_values(
    model: type[_Table], table: Mapping[str, Any], path: KeyPath, faults: FaultBook
) -> dict[str, Any]:
    """The values of `table` that have the right shape; each other one becomes a fault.

    A key that is wrong is left out, and of a list or a table of bits only the entry that
    is wrong, so that all the rest can still be judged.
    """
    bad: set[KeyPath] = set()
    try:
        model.model_validate(table)
    except ValidationError as error:
        for fault in error.errors(include_url=False, include_context=True):
            # pydantic names the halves of "number or text" as if they were keys.
            union = fault["loc"][0] == "blank_to"
            place: KeyPath = fault["loc"][:1] if union else fault["loc"][:2]
            if place not in bad:
                bad.add(place)
                faults.add((*path, *place), _code(fault["type"]), _words(model, fault, faults))
    return {key: _without(value, key, bad) for key, value in table.items() if (key,) not in bad}


def _without(value: Any, key: str, bad: Set[KeyPath]) -> Any:
    match value:
        case list():
            return [part for index, part in enumerate(value) if (key, index) not in bad]
        case dict():
            return {name: part for name, part in value.items() if (key, name) not in bad}
        case _:
            return value


def _code(kind: str) -> str:
    codes = {"missing": "layout-key-missing", "extra_forbidden": "layout-unknown-key"}
    return codes.get(kind, "layout-value")


_WANTED = {
    "string_type": "text in quotes",
    "int_type": "a whole number",
    "bool_type": "true or false",
    "list_type": "a list",
    "dict_type": "a table",
}


def _words(model: type[_Table], fault: Any, faults: FaultBook) -> str:
    """What is wrong, in the words of the file."""
    kind, place = fault["type"], fault["loc"]
    key = safe_key(place[0])
    if kind == "missing":
        return f"the required key '{key}' is missing"
    if kind == "extra_forbidden":
        return f"unknown key '{key}'{faults.suggest(str(place[0]), model.model_fields)}"
    return f"'{key}' {_words_of_value(kind, place, fault['input'], fault.get('ctx', {}))}"


def _words_of_value(kind: str, place: KeyPath, value: object, limits: Mapping[str, Any]) -> str:
    match kind:
        case "string_too_short" | "too_short":
            return "is empty" if len(place) == 1 else "has an empty entry"
        case "string_too_long":
            return f"is longer than {limits['max_length']} characters"
        case "too_long":
            return f"has more than {limits['max_length']} entries"
        case "greater_than_equal":
            return f"is {_shown(value)}, but must be at least {limits['ge']}"
        case "less_than_equal":
            return f"is {_shown(value)}, but must be at most {limits['le']}"
    if place[0] == "blank_to":
        return f"must be a number or text in quotes, but is {_shown(value)}"
    entry = "" if len(place) == 1 else f"entry '{safe_key(place[1])}' "
    if len(place) > 1 and isinstance(place[1], int):
        entry = f"entry {place[1] + 1} "
    wanted = _WANTED.get(kind, "of another kind")
    return f"{entry}must be {wanted}, but is {_shown(value)}"


def _shown(value: object) -> str:
    """A short picture of a wrong value."""
    match value:
        case bool():
            return str(value).lower()
        case list():
            return "a list"
        case dict():
            return "a table"
        case str():
            return f"the text '{safe_key(value)}'"
        case int() if value.bit_length() > 64:
            return "a huge number"
        case _:
            return str(value)


def safe_key(key: object) -> str:
    """A key or text cut to a length that fits into a sentence."""
    text = str(key)
    return text if len(text) <= 40 else f"{text[:40]}..."
