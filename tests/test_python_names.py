"""What a script may rely on: the names of ``import memtool``, and the page that shows them."""

from __future__ import annotations

import doctest
import subprocess
import sys

import pytest

import memtool
from tests.command_line import ROOT

PAGE = ROOT / "docs" / "python.md"


def test_examples_of_the_page_give_what_it_shows(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    failed, tried = doctest.testfile(
        str(PAGE), module_relative=False, encoding="utf-8", report=True
    )
    assert tried > 25
    assert failed == 0


def test_dir_shows_every_name_and_each_is_there() -> None:
    names = dir(memtool)
    assert names == sorted(memtool.__all__)
    assert all(getattr(memtool, name).__doc__ for name in names)


def test_every_name_is_on_the_page_and_in_the_examples() -> None:
    table, examples = PAGE.read_text(encoding="utf-8").split("## Read a file")
    for name in memtool.__all__:
        assert f"`{name}" in table, name
        assert f"memtool.{name}" in examples, name


def test_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'parse_everything'"):
        getattr(memtool, "parse_" + "everything")


def test_importing_the_package_loads_no_other_module_of_it() -> None:
    code = "import sys, memtool; print([n for n in sys.modules if n.startswith('memtool.')])"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
