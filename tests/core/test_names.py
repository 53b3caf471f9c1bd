"""A name from outside is checked, or reduced to what cannot lead out of a folder."""

from __future__ import annotations

import re
from pathlib import PurePosixPath, PureWindowsPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from memtool.core.names import file_stem, parse_memory_name


@pytest.mark.parametrize("name", ["eeprom", "data-flash", "95160", "64k", "x" * 24])
def test_a_memorys_name_is_short_and_plain(name: str) -> None:
    assert parse_memory_name(name) == name


@pytest.mark.parametrize(
    "name", ["", "x" * 25, "EEPROM", "data flash", "a/b", "..", "a_b", "eeprom\n", "é", "n\u0661"]
)
def test_any_other_name_of_a_memory_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="small letters, digits and hyphens"):
        parse_memory_name(name)


@pytest.mark.parametrize(
    ("name", "stem"),
    [
        ("95160", "to-write-95160"),
        ("24C16", "to-write-24C16"),
        ("MCU/D-flash", "to-write-MCU-D-flash"),
        ("x/../../../evil", "to-write-x-evil"),
        ("../..", "to-write"),
        ("C:\\CON", "to-write-C-CON"),
        ("data\u202eflash", "to-write-data-flash"),
    ],
)
def test_a_stem_keeps_what_is_harmless(name: str, stem: str) -> None:
    assert file_stem("to-write", name) == stem


@given(st.text(max_size=200))
def test_a_stem_is_one_part_of_a_path_whatever_the_name(name: str) -> None:
    stem = file_stem("to-write", name)
    assert re.fullmatch(r"to-write(-[A-Za-z0-9]+)*", stem)
    assert len(stem) <= len("to-write") + 1 + 32
    assert PurePosixPath(stem).parts == PureWindowsPath(stem).parts == (stem,)
