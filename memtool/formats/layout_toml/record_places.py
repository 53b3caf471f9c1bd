"""Places, conditions and lists inside the tables of a ``[[records]]``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from memtool.core.layouts.record_rules import Condition, Place
from memtool.core.layouts.region import INTEGER_LENGTHS, FieldType
from memtool.formats.layout_toml.faults import FaultBook
from memtool.formats.layout_toml.lines import KeyPath
from memtool.formats.layout_toml.tables import Table, word_of
from memtool.lazy import late_module

if TYPE_CHECKING:
    from memtool.formats.layout_toml import shape
else:
    shape = late_module("memtool.formats.layout_toml.shape")  # loads pydantic

MOST_VALUES = 64
"""Of a list of numbers, or of tables in one key."""


def inner_tables(
    value: object, path: KeyPath, label: str, faults: FaultBook
) -> list[tuple[KeyPath, Mapping[str, Any]]]:
    """The tables of a key that takes one table or a list of them, each with its place."""
    if value is None:
        return []
    if isinstance(value, Mapping):
        return [(path, value)]
    tables = value if isinstance(value, list) else []
    if not 0 < len(tables) <= MOST_VALUES or not all(isinstance(each, Mapping) for each in tables):
        text = f"{label}: '{path[-1]}' must be a table, or a list of 1 to {MOST_VALUES} of them"
        faults.add(path, "layout-value", text)
        return []
    return [((*path, number), each) for number, each in enumerate(tables)]


def numbers_of(value: object, path: KeyPath, label: str, faults: FaultBook) -> tuple[int, ...]:
    """A number or a list of them; empty where something is wrong."""
    if value is None:
        return ()
    found = value if isinstance(value, list) else [value]
    limit = shape.LARGEST
    sound = all(
        isinstance(each, int) and not isinstance(each, bool) and 0 <= each <= limit
        for each in found
    )
    if not sound or not 0 < len(found) <= MOST_VALUES:
        text = f"{label}: '{path[-1]}' must be a number, or a list of 1 to {MOST_VALUES} numbers"
        faults.add(path, "layout-value", text)
        return ()
    return tuple(found)


def place_of(
    values: Table,
    path: KeyPath,
    label: str,
    faults: FaultBook,
    *,
    also: Sequence[FieldType] = (),
) -> Place | None:
    """The place that ``at``, ``type`` and ``size`` name; None where something is wrong.

    Args:
        values: Of the right shape.
        path: Of the table.
        label: Of the ``[[records]]``.
        faults: Where faults go.
        also: Types beside integers; these need a ``size``.
    """
    kind = word_of(FieldType, "type", values, path, faults)
    if kind is None or "at" not in values:
        return None
    size = values.get("size")
    if kind in INTEGER_LENGTHS:
        length = INTEGER_LENGTHS[kind]
        if size not in (None, length):
            text = f"{label}: {kind} has {length} bytes, not {size}"
            faults.add((*path, "size"), "layout-length", text)
            return None
        return Place(at=values["at"], type=kind, size=length)
    if kind not in also:
        wanted = ", ".join([*INTEGER_LENGTHS, *also])
        text = f"{label}: type '{kind}' has no place here: write one of {wanted}"
        faults.add((*path, "type"), "layout-type-unknown", text)
        return None
    if size is None:
        if "size" not in faults.keys_under(path):
            text = f"{label}: type '{kind}' needs a 'size'"
            faults.add(path, "layout-key-missing", text)
        return None
    return Place(at=values["at"], type=kind, size=size)


def condition_of(
    table: Mapping[str, Any] | None, path: KeyPath, label: str, faults: FaultBook
) -> Condition | None:
    """What a ``where`` says."""
    if table is None:
        return None
    values = shape.sound_values(shape.WhereTable, table, path, faults)
    place = place_of({"type": "u8", **values}, path, label, faults)
    one_of = numbers_of(values.get("one_of"), (*path, "one_of"), label, faults)
    return None if place is None or not one_of else Condition(place=place, values=one_of)
