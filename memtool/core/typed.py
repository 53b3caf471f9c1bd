"""Holds a record that was read from JSON to the types that its class says."""

from __future__ import annotations

import types
from dataclasses import fields, is_dataclass
from functools import cache
from typing import Any, Union, get_args, get_origin, get_type_hints


def require_types(record: Any) -> None:
    """Refuse a dataclass of which a field, at any depth, has another type than it says.

    Known are plain classes, dataclasses, ``X | None`` and tuples; a truth value is no number.

    Raises:
        ValueError: names the field, in quotes.
    """
    for name, hint in _hints(record.__class__).items():
        if not _fits(getattr(record, name), hint):
            raise ValueError(f"'{name}'")


@cache
def _hints(kind: type) -> dict[str, Any]:
    hints = get_type_hints(kind)
    return {item.name: hints[item.name] for item in fields(kind)}


def _fits(value: Any, hint: Any) -> bool:
    origin, parts = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        return any(_fits(value, part) for part in parts)
    if origin is tuple:
        return isinstance(value, tuple) and all(_fits(item, parts[0]) for item in value)
    if hint is int:
        return type(value) is int
    if not isinstance(value, hint):
        return False
    if is_dataclass(hint):
        require_types(value)
    return True
