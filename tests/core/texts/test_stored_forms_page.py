"""docs/stored-forms.md shows bytes; they must be what the forms undo to the text."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from memtool.core.image import Image
from memtool.core.texts.form_table import FORMS
from memtool.core.texts.known_identity import find_identity, list_searched_forms
from memtool.core.texts.stored_forms import parse_stored_form

PAGE = (Path(__file__).parents[3] / "docs" / "stored-forms.md").read_text(encoding="utf-8")
ROWS = re.findall(r"^\| `([a-z][^`]*)` \| `([0-9a-f ]+)` \|", PAGE, re.M)
TEXT = "1G4AH59H"


@pytest.mark.parametrize(("name", "shown"), ROWS, ids=[name for name, _ in ROWS])
def test_bytes_of_the_page_are_the_text(name: str, shown: str) -> None:
    stored = bytes.fromhex(shown)
    text = TEXT[:4] if name == "every-4" else TEXT
    if name != "split":
        assert parse_stored_form(name).undo(stored).startswith(text.encode())
    matches = find_identity(Image.from_bytes(stored), text, parts=False)
    assert [match.stored_as for match in matches] == [name]


def test_page_says_of_each_form_what_the_table_says() -> None:
    said = dict(
        re.findall(r"^\| `([a-z0-9-]+?)(?:-5a|-03|@0)?` \| `[^`]+` \| (.+) \|$", PAGE, re.M)
    )
    said.pop("packed-7-msb@3", None)
    assert said == {form.name: form.done for form in FORMS}


def test_page_shows_every_form_and_pair() -> None:
    shown = {re.sub(r"(?<=xor)-5a|-03|@\d", "", name) for name, _ in ROWS}
    assert shown == set(list_searched_forms())
