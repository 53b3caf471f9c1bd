"""On which line each table and key of a TOML text stands."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.formats.layout_toml.lines import KeyPath, find_lines

TRICKY = '''\
# [layout]
top = 1
[layout]   # the real one
name = "with # sign and [[region]] in it"
text = """
[[region]]
span = "no"
""" # after
quoted = \'\'\'
[[region]]\'\'\'
ends = """two quotes""\"""
"a key" . 'b"c' = 1
list = [ # [[region]]
  "]",
  [1, 2,
  ],
]

[[region]]
span = "x"
bits.one = "7"

[ [region] ]
'''
TRICKY = TRICKY.replace("[ [region] ]", '[[ "region" ]]\nspan="y"\n[region.bits]\ntwo = "1"')


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("top",), 2),
        (("layout",), 3),
        (("layout", "name"), 4),
        (("layout", "text"), 5),
        (("layout", "quoted"), 9),
        (("layout", "ends"), 11),
        (("layout", "a key", 'b"c'), 12),
        (("layout", "list"), 13),
        (("region",), 19),
        (("region", 0), 19),
        (("region", 0, "span"), 20),
        (("region", 0, "bits"), 21),
        (("region", 0, "bits", "one"), 21),
        (("region", 1), 23),
        (("region", 1, "span"), 24),
        (("region", 1, "bits"), 25),
        (("region", 1, "bits", "two"), 26),
        (("region", 1, "kind"), 23),
        (("region", 0, "covers", 3), 19),
        (("nowhere",), 1),
    ],
)
def test_line_is_found_past_strings_comments_and_lists(path: KeyPath, line: int) -> None:
    tomllib.loads(TRICKY)  # the sample is TOML
    assert find_lines(TRICKY).line_of(path) == line


def test_line_of_crlf_text_counts_line_feeds() -> None:
    text = "[layout]\r\nname = 1\r\n\r\n[[region]]\r\nspan = 2\r\n"
    assert find_lines(text).line_of(("region", 0, "span")) == 5


@pytest.mark.parametrize("rest", ["[layout", "[=]", "= 3", "name 3", '["x"', "a..b = 1"])
def test_text_that_is_no_toml_is_indexed_as_far_as_it_goes(rest: str) -> None:
    index = find_lines(f"[layout]\nname = 1\n{rest}\nsize = 2\n")
    assert index.line_of(("layout", "name")) == 2
    assert ("layout", "size") not in index.lines


def test_text_without_an_end_hides_what_follows_it() -> None:
    index = find_lines('[layout]\nname = "no end\nsize = 2\n')
    assert index.lines == {("layout",): 1, ("layout", "name"): 2}


def test_very_deep_keys_are_found_at_their_upper_parts() -> None:
    text = f"\n{'.'.join('abcdefgh')} = 1\nsize = 2\n"
    tomllib.loads(text)
    index = find_lines(text)
    assert index.line_of(tuple("abcdefgh")) == 2
    assert max(map(len, index.lines)) == 4
    assert index.line_of(("size",)) == 3


WORDS = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=12)
VALUES: st.SearchStrategy[Any] = st.recursive(
    st.one_of(WORDS, st.integers(-9, 9), st.booleans(), st.floats(allow_nan=False)),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(WORDS, inner, max_size=3)),
    max_leaves=6,
)


@settings(max_examples=60, deadline=None)
@given(
    st.dictionaries(
        WORDS,
        st.one_of(VALUES, st.lists(st.dictionaries(WORDS, VALUES, max_size=3), max_size=3)),
        max_size=4,
    )
)
def test_every_key_is_found_on_a_line_that_shows_it(data: dict[str, Any]) -> None:
    """tomlkit writes, tomllib reads; the line must hold the key in one of TOML's spellings."""
    text = tomlkit.dumps(data)
    tomllib.loads(text)
    index = find_lines(text)
    rows = text.split("\n")
    for key in tomllib.loads(text):
        line = index.lines[(key,)]
        spellings = (key, tomlkit.item({key: 0}).as_string())
        row = rows[line - 1]
        assert any(spelling.split(" = ")[0].strip("{}") in row for spelling in spellings), row
