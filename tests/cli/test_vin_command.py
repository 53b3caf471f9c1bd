"""`benchimage vin` as a process: output, JSON, exit status."""

from __future__ import annotations

import pytest

from tests.command_line import parse_document, run_benchimage

# VINs and their digits: 49 CFR 565.15 Table VI, the NHTSA outline, Wikipedia, Zint test data.
GOOD = "1G4AH59H45G118341"
WRONG = "5GZCZ43D23S812715"
UNCHECKED = "WP0ZZZ99ZTS392124"
FORBIDDEN = "WP0ZZZ99ZTS392I24"


@pytest.mark.parametrize(
    ("texts", "status"),
    [
        ([GOOD], 0),
        ([UNCHECKED], 0),
        ([GOOD, UNCHECKED], 0),
        ([WRONG], 1),
        ([FORBIDDEN], 1),
        ([GOOD, WRONG, GOOD], 1),
        ([GOOD.lower()], 1),
        ([f"{GOOD} "], 1),
        ([""], 1),
        ([], 2),
    ],
)
def test_exit_status_tells_whether_something_speaks_against(texts: list[str], status: int) -> None:
    done = run_benchimage("vin", *texts)
    assert done.returncode == status
    assert "Traceback" not in done.stderr


def test_json_follows_the_schema_in_the_order_given() -> None:
    texts = [WRONG, GOOD, UNCHECKED, FORBIDDEN, "0" * 17, GOOD.lower(), "x\x1b[31m", "", "\udcff"]
    done = run_benchimage("vin", "--json", *texts)
    document = parse_document(done, "vin")
    assert done.returncode == 1
    assert done.stderr == ""
    assert done.stdout.isascii()
    assert [vin["text"] for vin in document["vins"]] == texts
    wrong, good, unchecked, forbidden = document["vins"][:4]
    assert wrong["check_digit"] == {"given": "2", "expected": "1", "state": "invalid"}
    assert good == {
        "text": GOOD,
        "well_formed": True,
        "check_digit": {"given": "4", "expected": "4", "state": "valid"},
        "world_region": "North America",
        "country": "United States",
        "model_years": [2005],
        "problems": [],
    }
    assert unchecked["check_digit"] == {"given": "Z", "expected": "8", "state": "not-required"}
    assert unchecked["model_years"] == [1996, 2026]
    assert forbidden["well_formed"] is False
    assert forbidden["check_digit"] is None


def test_terminal_shows_the_sections_of_a_low_volume_vin() -> None:
    done = run_benchimage("vin", "1J9RP1A36A1644345")
    assert "maker code   1J9 + 644 (low-volume maker): United States" in done.stdout
    assert "serial       345" in done.stdout
    assert "Next:" in done.stderr


def test_terminal_calls_no_vehicle_fake_or_invalid() -> None:
    shown = run_benchimage("vin", WRONG, UNCHECKED, "1" * 17).stdout.lower()
    assert "does not match" in shown
    assert "filler" in shown
    assert "fake" not in shown
    assert "invalid" not in shown


def test_terminal_escapes_control_characters_and_stays_in_80_columns() -> None:
    done = run_benchimage("vin", "1\x1b[31m\u202eX", "A" * 500, WRONG, FORBIDDEN, "\u0660" * 17)
    assert "\x1b" not in done.stdout
    assert "\u202e" not in done.stdout
    assert max(len(line) for line in done.stdout.splitlines()) <= 80


def test_text_that_starts_with_a_dash_is_taken_behind_two_dashes() -> None:
    done = run_benchimage("vin", "--", "-G4AH59H45G118341")
    assert done.returncode == 1
    assert "'-' (position 1)" in done.stdout


def test_missing_text_is_wrong_usage_as_a_json_document_too() -> None:
    done = run_benchimage("vin", "--json")
    assert done.returncode == 2
    assert '"schema": "benchimage.error/1"' in done.stdout


def test_help_has_examples() -> None:
    assert "benchimage vin 1G4AH59H45G118341" in run_benchimage("vin", "--help").stdout
