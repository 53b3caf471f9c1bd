"""Foreign text is made safe for a terminal and a page, and stays readable."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from memtool.core.words import count_of
from memtool.render.words import safe_text


@pytest.mark.parametrize(
    ("text", "safe"),
    [
        ("plain text", "plain text"),
        ("Überführung 車両 מזהה é", "Überführung 車両 מזהה é"),
        ("a\x1b[31mb", "a\\x1b[31mb"),
        ("a\x9bb", "a\\x9bb"),
        ("line\nline\r\t", "line\\x0aline\\x0d\\x09"),
        ("\u202egnp.exe", "\\u202egnp.exe"),
        ("\u2028", "\\u2028"),
        ("\ud800", "\\ud800"),
        ("\U000e0041", "\\U000e0041"),
        ("nul\x00", "nul\\x00"),
    ],
)
def test_what_could_act_or_mislead_is_escaped(text: str, safe: str) -> None:
    assert safe_text(text) == safe


@given(st.text())
def test_no_control_bidi_or_separator_comes_through(text: str) -> None:
    safe = safe_text(text)
    for character in safe:
        assert character in "\u200c\u200d" or unicodedata.category(character) not in (
            *("Cc", "Cf", "Cs", "Cn", "Co"),
            *("Zl", "Zp"),
        )


@given(st.text(st.characters(categories=["L", "N", "P", "S"])))
def test_letters_digits_and_signs_of_any_alphabet_stay(text: str) -> None:
    assert safe_text(text) == text


def test_counts_in_words() -> None:
    assert [count_of(n, "byte") for n in (0, 1, 2048)] == ["0 bytes", "1 byte", "2,048 bytes"]
    assert count_of(2, "entry", "entries") == "2 entries"
