"""Drafts of module families against the truth: the short form of tests/bench/measure_drafting.py.

The measurement over many families stands in docs/layouts.md. Here are a few families, so
that one checksum more or less weighs much: the bar for them is nine of ten, not 95 %.
"""

from __future__ import annotations

import pytest

from tests.drafting_score import Score, score_family
from tests.module_families import make_family

_SEEDS = range(2000, 2005)


@pytest.fixture(scope="module")
def three_modules() -> Score:
    score = Score()
    for seed in _SEEDS:
        score.add(score_family(make_family(seed), 3, reference=False))
    return score


@pytest.fixture(scope="module")
def two_and_a_reference() -> Score:
    score = Score()
    for seed in _SEEDS[:3]:
        score.add(score_family(make_family(seed), 2, reference=True))
    return score


def test_every_identity_is_found(three_modules: Score, two_and_a_reference: Score) -> None:
    for score in (three_modules, two_and_a_reference):
        assert score.identity > 8
        assert score.identity_found == score.identity, score.faults


def test_three_modules_show_nine_of_ten_checksums(three_modules: Score) -> None:
    assert three_modules.checksums > 15
    assert three_modules.checksums_found >= 0.9 * three_modules.checksums, three_modules.faults


def test_nothing_of_the_module_itself_is_proposed_for_blanking(
    three_modules: Score, two_and_a_reference: Score
) -> None:
    for score in (three_modules, two_and_a_reference):
        assert score.unsafe == 0, score.faults


def test_false_guesses_stay_under_one_in_twenty(
    three_modules: Score, two_and_a_reference: Score
) -> None:
    for score in (three_modules, two_and_a_reference):
        assert score.false < 0.05 * score.guesses, score.faults


def test_scorer_counts_what_a_draft_gets_wrong() -> None:
    """With one module there are no checksums of eight bits, and the scorer must say so."""
    score = Score()
    for seed in _SEEDS[:2]:
        score.add(score_family(make_family(seed), 1, reference=False))
    assert score.checksums_found < score.checksums
    assert any("missed" in fault for fault in score.faults)
