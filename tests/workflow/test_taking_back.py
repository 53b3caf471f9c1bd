"""An answer that is taken back: the guess is open again, here and for whoever goes on."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from memtool.errors import UsageError
from memtool.workflow.reviewing import (
    Answer,
    Answered,
    Review,
    give_answers,
    layout_with_answers,
    open_review,
    require_nothing_open,
    take_back,
)
from tests.build import LAYOUT

NOW = datetime(2030, 1, 2, tzinfo=UTC)


@pytest.fixture
def review(tmp_path: Path) -> Review:
    path = tmp_path / "module.toml"
    path.write_text(LAYOUT, encoding="utf-8")
    return open_review(path)


def answer(review: Review, name: str, given: Answer) -> Review:
    return give_answers(review, {name: Answered(answer=given)}, by="N. N.", now=NOW)


def test_answer_that_was_taken_back_leaves_its_guess_open(review: Review) -> None:
    for name in ("VIN", "serial"):
        review = answer(review, name, Answer.ACCEPT)
    review = take_back(review, ["VIN"], by="N. N.", now=NOW)
    again = open_review(review.path)
    assert review.answers == again.answers == {"serial": Answered(answer=Answer.ACCEPT)}
    assert "VIN" in {guess.name for guess in again.open}
    with pytest.raises(UsageError, match="'VIN'"):
        require_nothing_open(again)


def test_guess_can_be_answered_anew_after_its_answer_was_taken_back(review: Review) -> None:
    review = answer(review, "VIN", Answer.ACCEPT)
    review = take_back(review, ["VIN"], by="N. N.", now=NOW)
    review = answer(review, "VIN", Answer.REJECT)
    assert open_review(review.path).names(Answer.REJECT) == ("VIN",)


def test_layout_with_answers_leaves_out_what_was_rejected(review: Review) -> None:
    review = answer(review, "curve", Answer.REJECT)
    layout = layout_with_answers(review)
    assert layout.region_named("curve") is None
    assert layout.region_named("VIN") is not None
