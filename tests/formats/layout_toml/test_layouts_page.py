"""The page on layout files says what the reader does."""

from __future__ import annotations

import re

import pytest
from pydantic import BaseModel

from memtool.core.checksums.checksum import WhenBlanked
from memtool.core.layouts.layout import BlankSource, FieldType, ModuleKind, RegionKind
from memtool.core.layouts.region import BLANKABLE
from memtool.formats.layout_toml.parsing import parse_layout
from memtool.formats.layout_toml.shape import (
    ChecksumTable,
    LayoutTable,
    PageTable,
    RecordChecksumTable,
    RecordsTable,
    RegionTable,
)
from tests.command_line import ROOT

PAGE = (ROOT / "docs" / "layouts.md").read_text(encoding="utf-8")


def section(title: str) -> str:
    """The text below a heading, up to the next one of its rank or above."""
    rank = title.split(" ", maxsplit=1)[0]
    rest = PAGE.split(f"\n{title}\n", 1)[1]
    return re.split(rf"^#{{2,{len(rank)}}} ", rest, maxsplit=1, flags=re.MULTILINE)[0]


def keys_of(text: str) -> dict[str, str]:
    """First cell of each row of the tables: last cell."""
    rows = re.findall(r"^\| `([a-z_-]+)` \|.*\| ([^|]*) \|$", text, re.MULTILINE)
    return dict(rows)


@pytest.mark.parametrize(
    ("title", "model"),
    [
        ("## `[layout]`", LayoutTable),
        ("## `[[checksum]]`", ChecksumTable),
    ],
)
def test_page_names_every_key_and_whether_it_is_required(
    title: str, model: type[LayoutTable | ChecksumTable]
) -> None:
    rows = keys_of(section(title))
    assert list(rows) == list(model.model_fields)
    for key, field in model.model_fields.items():
        assert (rows[key] == "yes") is field.is_required()


def test_page_names_every_key_of_a_region() -> None:
    rows = keys_of(section("## `[[region]]`").split("\n### ", 1)[0])
    assert list(rows) == list(RegionTable.model_fields)
    for key, field in RegionTable.model_fields.items():
        assert (rows[key] == "yes") is field.is_required()


def test_page_names_every_kind_and_where_a_blank_value_is_allowed() -> None:
    rows = keys_of(section("### Kinds"))
    assert list(rows) == [kind.value for kind in RegionKind]
    for kind in RegionKind:
        assert (rows[kind] == "yes") is (kind in BLANKABLE)


def test_page_names_every_type_module_and_word() -> None:
    types = re.findall(r"`([a-z0-9]+)`", section("### Types").split("\n\nA field", 1)[0])
    assert set(FieldType) <= set(types)
    assert all(f"`{kind}`" in section("## `[layout]`") for kind in ModuleKind)
    assert all(f"`{when}`" in section("## `[[checksum]]`") for when in WhenBlanked)
    assert all(f'`"{source}"`' in section("### Blank values") for source in BlankSource)


def test_example_of_the_page_is_valid() -> None:
    example, *_ = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    layout = parse_layout(example)
    assert len(layout.regions) == 8
    assert layout.reviewed


def test_every_example_of_the_page_is_a_valid_layout() -> None:
    examples = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    stores = [rules for text in examples for rules in parse_layout(text).records]
    assert len(stores) == 3


@pytest.mark.parametrize(
    ("title", "model"),
    [
        ("## `[[records]]`", RecordsTable),
        ("### A checksum of records", RecordChecksumTable),
        ("### `[records.page]`", PageTable),
    ],
)
def test_page_names_every_key_of_a_store(title: str, model: type[BaseModel]) -> None:
    rows = keys_of(section(title).split("\n### ", 1)[0])
    assert list(rows) == list(model.model_fields)
    for key, field in model.model_fields.items():
        assert (rows[key] == "yes") is field.is_required()
