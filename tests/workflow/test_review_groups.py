"""Which guesses of a draft one yes may answer together, at the terminal and at the desk."""

from __future__ import annotations

from pathlib import Path

import pytest

from memtool.render.text.review_view import render_guess
from memtool.workflow.reviewing import Review, open_review

HEAD = """[layout]
name = "door module"
chip = "24C02"
size = 256
module = "body"
"""


def region(name: str, start: int, *more: str, sure: str = "nearly certain") -> str:
    lines = (f'name = "{name}"', f'span = "0x{start:04X}+17"', *more)
    return "\n".join(("", "[[region]]", f"# {sure}", "# A VIN is here.", *lines, ""))


VIN = ('kind = "vehicle-identity"', 'type = "vin"', 'blank_to = "erased"')
COPY = (*VIN, 'copy_of = "VIN"')
ZEROS = ('kind = "vehicle-identity"', 'type = "vin"', "blank_to = 0x00", 'copy_of = "VIN"')


@pytest.fixture
def review(tmp_path: Path) -> Review:
    path = tmp_path / "draft.toml"
    path.write_text(
        HEAD
        + region("VIN", 0x00, *VIN)
        + region("VIN again at 0x0020", 0x20, *COPY, 'stored_as = "inverted"')
        + region("VIN again at 0x0040", 0x40, *COPY)
        + region("less sure", 0x60, *COPY, sure="possible")
        + region("another blank", 0x80, *ZEROS)
        + region("VIN of somebody else", 0xA0, *VIN)
        + region("flag", 0xC0, 'kind = "state"', 'type = "bytes"'),
        encoding="utf-8",
    )
    return open_review(path)


def names(review: Review, name: str) -> list[str]:
    (guess,) = [each for each in review.guesses if each.name == name]
    return [each.name for each in review.alike(guess)]


def test_copies_of_one_vin_are_one_question(review: Review) -> None:
    copies = ["VIN", "VIN again at 0x0020", "VIN again at 0x0040"]
    for name in copies:
        assert names(review, name) == copies


@pytest.mark.parametrize("name", ["less sure", "another blank", "VIN of somebody else"])
def test_what_is_less_sure_or_blanked_otherwise_is_asked_by_itself(
    review: Review, name: str
) -> None:
    assert names(review, name) == [name]


def test_flags_that_may_be_erased_are_never_answered_together(review: Review) -> None:
    assert names(review, "flag") == []


def test_the_screen_names_what_one_key_answers_too(review: Review) -> None:
    alike = names(review, "VIN")
    layout = review.loaded.layout
    screen = render_guess(layout, "VIN", (), [], place=1, total=7, alike=alike)
    assert "yes to this and to 'VIN again at 0x0020' and 'VIN again at 0x0040'" in screen
    assert "yes to this and" not in render_guess(layout, "flag", (), [], place=7, total=7)
