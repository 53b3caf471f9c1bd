"""Shape, check digit, model year and sections of a VIN."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from memtool.core.texts.vin import (
    ALPHABET,
    CHARACTER_VALUES,
    WEIGHTS,
    YEAR_CODES,
    CheckDigitState,
    Vin,
    check_digit_state,
    compute_check_digit,
    explain_vin,
    find_model_years,
    is_well_formed,
    mask_vin,
    parse_vin,
)
from tests import vin_reference as reference

SHAPED = st.text(alphabet=reference.ALPHABET, min_size=17, max_size=17)

SAME_VALUE = ["1AJ", "2BKS", "3CLT", "4DMU", "5ENV", "6FW", "7GPX", "8HY", "9RZ", "0"]
"""Characters of one value cannot be told apart. 49 CFR 565.15(c), Table III."""


def test_alphabet_has_33_characters_and_no_i_o_q() -> None:
    # 49 CFR 565.13(g): capitals and digits without I, O, Q.
    assert len(ALPHABET) == len(set(ALPHABET)) == 33
    assert set(ALPHABET) == set(reference.ALPHABET)


def test_every_character_has_the_value_of_table_iii() -> None:
    assert {char: reference.value_of(char) for char in reference.ALPHABET} == CHARACTER_VALUES
    for group in SAME_VALUE:
        assert {CHARACTER_VALUES[char] for char in group} == {int(group[0])}


def test_weights_add_to_one_above_a_multiple_of_eleven() -> None:
    assert WEIGHTS == reference.WEIGHTS
    assert sum(WEIGHTS) == 89


@given(SHAPED)
def test_check_digit_equals_the_slow_reference(text: str) -> None:
    assert compute_check_digit(text) == reference.digit_of(text)


@given(SHAPED)
def test_exactly_one_of_33_characters_in_position_9_matches(text: str) -> None:
    # So a random text of the alphabet passes with probability 1/33.
    states = [check_digit_state(text[:8] + char + text[9:]) for char in reference.ALPHABET]
    assert states.count(CheckDigitState.VALID) == 1


@pytest.mark.parametrize("digit", "0123456789")
def test_seventeen_equal_digits_match_and_carry_a_warning(digit: str) -> None:
    report = explain_vin(digit * 17)
    assert report.check_digit is not None
    assert report.check_digit.state is CheckDigitState.VALID
    assert any("filler" in problem for problem in report.problems)


@pytest.mark.parametrize("letter", reference.LETTERS)
def test_seventeen_equal_letters_never_match(letter: str) -> None:
    assert check_digit_state(letter * 17) is not CheckDigitState.VALID


@given(SHAPED.map(reference.with_digit), st.integers(0, 16), st.sampled_from(reference.ALPHABET))
def test_substitution_goes_undetected_only_between_characters_of_one_value(
    text: str, place: int, char: str
) -> None:
    changed = text[:place] + char + text[place + 1 :]
    if place == 8:
        undetected = char == text[8]
    else:
        undetected = any(char in group and text[place] in group for group in SAME_VALUE)
    assert (check_digit_state(changed) is CheckDigitState.VALID) is undetected


@given(SHAPED.map(reference.with_digit), st.sampled_from([*range(7), *range(9, 16)]))
def test_swapped_neighbours_of_different_value_are_detected(text: str, place: int) -> None:
    one, two = text[place], text[place + 1]
    swapped = text[:place] + two + one + text[place + 2 :]
    same_value = reference.value_of(one) == reference.value_of(two)
    assert (check_digit_state(swapped) is CheckDigitState.VALID) is same_value


@given(SHAPED.map(reference.with_digit), st.integers(0, 6))
def test_swaps_of_places_with_equal_weight_are_never_detected(text: str, place: int) -> None:
    # Positions (1,11) (2,12) (3,13) (4,14) (5,15) (6,16) (7,17).
    characters = list(text)
    characters[place], characters[place + 10] = characters[place + 10], characters[place]
    assert check_digit_state("".join(characters)) is CheckDigitState.VALID


@pytest.mark.parametrize("first", reference.ALPHABET)
def test_a_digit_that_does_not_match_is_an_error_only_where_the_maker_code_requires_it(
    first: str,
) -> None:
    right = reference.with_digit(f"{first}A1AA11A0A1A11111")
    wrong = right[:8] + ("0" if right[8] != "0" else "1") + right[9:]
    assert check_digit_state(right) is CheckDigitState.VALID
    # 49 CFR 565.13(c), MVSR schedule IV, NOM-001-SSP, GB 16735; 7 is US by newer assignments.
    expected = CheckDigitState.INVALID if first in "123457L" else CheckDigitState.NOT_REQUIRED
    assert check_digit_state(wrong) is expected


@pytest.mark.parametrize("first", "1J")
def test_mismatch_is_worded_without_judging_the_vehicle(first: str) -> None:
    report = explain_vin(f"{first}M8GDM9A0KP042788")
    (problem,) = report.problems
    assert problem.startswith("The check digit does not match: position 9 holds 0;")
    assert "fake" not in problem
    assert "invalid" not in problem
    assert ("a note" in problem) is (first == "J")


# 49 CFR 565.15(d)(1), Table VII, and 565.25, Table XIII.
YEARS = dict(zip("ABCDEFGHJKLMNPRSTVWXY123456789", range(1980, 2010), strict=True))
SPOT_YEARS = {
    "A": 1980,
    "H": 1987,
    "J": 1988,
    "N": 1992,
    "P": 1993,
    "R": 1994,
    "T": 1996,
    "V": 1997,
    "Y": 2000,
    "1": 2001,
    "9": 2009,
}


def test_year_codes_are_the_thirty_of_the_table() -> None:
    assert set(YEAR_CODES) == set(YEARS)
    assert SPOT_YEARS.items() <= YEARS.items()


@pytest.mark.parametrize("code", YEARS)
def test_position_7_decides_between_the_two_model_years(code: str) -> None:
    assert find_model_years(f"1M8GDM9A{'0'}{code}P042788") == (YEARS[code],)
    assert find_model_years(f"1M8GDMAA{'0'}{code}P042788") == (YEARS[code] + 30,)


@pytest.mark.parametrize("code", "UZ0")
def test_no_model_year_where_position_10_holds_no_year_code(code: str) -> None:
    report = explain_vin(reference.with_digit(f"1M8GDM9A0{code}P042788"))
    assert report.model_years == ()
    assert any("no model-year code" in problem for problem in report.problems)


@pytest.mark.parametrize("first", "LWX")
def test_both_model_years_where_the_us_rule_need_not_hold(first: str) -> None:
    text = f"{first}AAAAA9A0TA000001"
    assert reference.digit_of(text) != "0"
    assert find_model_years(text) == (1996, 2026)
    assert find_model_years(text[:6] + "A" + text[7:]) == (2026, 1996)


def test_both_model_years_for_china_though_the_digit_matches() -> None:
    # Required there by GB 16735, which has no rule for position 7.
    text = "LJCPCBLCX11000237"  # scientificgems, blog, 2018-04-27
    assert check_digit_state(text) is CheckDigitState.VALID
    assert find_model_years(text) == (2031, 2001)


def test_one_model_year_elsewhere_where_the_digit_matches() -> None:
    # JN1DA31D63T505967: lucasdavila/vin_checker, readme. Made for the US market.
    assert find_model_years("JN1DA31D63T505967") == (2003,)


def test_low_volume_maker_has_a_code_of_six_characters() -> None:
    # 49 CFR 565.15(a); the regulator's outline for new manufacturers has this example.
    vin = parse_vin("1J9RP1A36A1644345")
    assert (vin.maker_code, vin.serial, vin.is_low_volume) == ("1J9644", "345", True)
    assert (vin.attributes, vin.plant_code) == ("RP1A3", "1")


def test_other_makers_have_a_code_of_three_characters() -> None:
    vin = parse_vin("1G4AH59H45G118341")
    assert (vin.maker_code, vin.attributes, vin.serial) == ("1G4", "AH59H", "118341")


@given(st.text(max_size=20) | SHAPED)
def test_shape_agrees_with_the_plain_words_of_the_rule(text: str) -> None:
    by_rule = len(text) == 17 and all(char in reference.ALPHABET for char in text)
    assert is_well_formed(text) is by_rule
    report = explain_vin(text)
    assert report.text == text
    assert report.well_formed is by_rule
    assert by_rule or report.problems
    if by_rule:
        assert parse_vin(text) == Vin(text)
    else:
        with pytest.raises(ValueError, match="VIN"):
            parse_vin(text)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("1M8GDM9AXKP04278", "It has 16 characters, a VIN has 17."),
        ("1M8GDM9AXKP0427888", "It has 18 characters, a VIN has 17."),
        ("1M8GDM9AXKP0427I8", "I (position 16) is never used in a VIN: a 1 may be meant."),
        ("1M8GDM9AXKPO42788", "O (position 12) is never used in a VIN: a 0 may be meant."),
        ("1M8GDM9AXKPQ4Q788", "Q (positions 12, 14) is never used in a VIN: a 0 may be meant."),
        ("1M8GDM9AXKP 42788", "A blank (position 12) is never used in a VIN."),
        ("1M8GDM9AXKP-42788", "'-' (position 12) is not a character of a VIN."),
        ("1M8GDM9AXKP\x1b42788", "U+001B (position 12) is not a character of a VIN."),
        ("1M8GDM9AXKP\u066042788", "U+0660 (position 12) is not a character of a VIN."),
        ("1M8GDM9AXKP\u017f42788", "U+017F (position 12) is not a character of a VIN."),
        ("1M8GDM9AXKP04278\n", "U+000A (position 17) is not a character of a VIN."),
    ],
)
def test_shape_faults_are_named_with_their_positions(text: str, words: str) -> None:
    report = explain_vin(text)
    assert words in report.problems
    assert report.check_digit is None
    assert report.model_years == ()


def test_lower_case_is_not_well_formed_but_explained_as_capitals() -> None:
    report = explain_vin("1m8gdm9axkp042788")
    assert not report.well_formed
    assert report.text == "1m8gdm9axkp042788"
    assert report.check_digit is not None
    assert report.check_digit.state is CheckDigitState.VALID
    assert report.model_years == (1989,)
    assert "It was read as 1M8GDM9AXKP042788." in report.problems


def test_letters_among_the_last_four_are_noted() -> None:
    # ISO 3779:2009 and 49 CFR 565.15(d): 14 to 17 are digits. Position 12 may be a letter.
    assert "14 to 17" in " ".join(explain_vin("1M8GDM9AXKP0427A8").problems)
    assert explain_vin("WBAXW1104J0X16755").problems == ()


def test_check_digit_of_a_text_without_the_shape_is_the_callers_mistake() -> None:
    with pytest.raises(ValueError, match="17 characters"):
        compute_check_digit("1M8GDM9AXKP04278I")
    with pytest.raises(ValueError, match="17 characters"):
        check_digit_state("")


def test_mask_shows_the_maker_code_alone() -> None:
    assert mask_vin("1M8GDM9AXKP042788") == "1M8" + "\u2022" * 14


@given(st.text(max_size=30).filter(lambda text: len(text) != 17))
def test_mask_shows_nothing_of_a_text_of_another_length(text: str) -> None:
    assert mask_vin(text) == "\u2022" * len(text)
