"""A record is held to the types that its class says, at any depth."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import pytest

from memtool.core.typed import require_types


class Kind(StrEnum):
    ONE = "one"


@dataclass(frozen=True)
class Part:
    name: str


@dataclass(frozen=True)
class Record:
    text: str = "x"
    number: int = 1
    truth: bool = False
    kind: Kind = Kind.ONE
    maybe: str | None = None
    parts: tuple[Part, ...] = ()
    names: tuple[str, ...] = ()


@pytest.mark.parametrize(
    "values",
    [
        {},
        {"maybe": "y", "parts": (Part("a"), Part("b")), "names": ("c",)},
        {"number": -(10**40), "truth": True},
    ],
)
def test_right_types_pass(values: dict[str, Any]) -> None:
    require_types(Record(**values))


@pytest.mark.parametrize(
    ("name", "value"),
    [
        *[("text", None), ("text", 1), ("number", "1"), ("number", True), ("number", 1.0)],
        *[("truth", 1), ("kind", "one"), ("maybe", 0), ("maybe", []), ("parts", [Part("a")])],
        *[("parts", (Part("a"), "b")), ("names", "abc"), ("names", ("a", None))],
    ],
)
def test_a_field_of_another_type_is_named(name: str, value: Any) -> None:
    with pytest.raises(ValueError, match=f"'{name}'"):
        require_types(Record(**{name: value}))


def test_a_wrong_field_inside_is_named() -> None:
    wrong: Any = 5
    with pytest.raises(ValueError, match="'name'"):
        require_types(Record(parts=(Part("a"), Part(wrong))))
