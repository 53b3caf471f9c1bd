"""World regions and countries against the published assignments."""

from __future__ import annotations

import string

import pytest

from memtool.core.texts.vin_regions import find_country, find_world_region

# ISO 3780 as published in a list of world maker codes of 2003 and in one of 2019; H and 7 by the
# newer assignments (vininfo 1.11.0; the regulator's table in the package vin 0.6.2).
REGIONS = {
    "Africa": "ABCDEFG",
    "Asia": "HJKLMNPR",
    "Europe": "STUVWXYZ",
    "North America": "123457",
    "Oceania": "6",
    "South America": "89",
}

# First and last code of ranges on which the 2003 list and vininfo 1.11.0 agree.
COUNTRIES = [
    ("AA", "AH", "South Africa"),
    ("JA", "J0", "Japan"),
    ("KL", "KR", "South Korea"),
    ("LA", "L0", "China"),
    ("NL", "NR", "Turkey"),
    ("RA", "RB", "United Arab Emirates"),
    ("RF", "RK", "Taiwan"),
    ("SA", "SM", "United Kingdom"),
    ("SN", "ST", "Germany"),
    ("TW", "T1", "Portugal"),
    ("U5", "U7", "Slovakia"),
    ("VX", "V2", "Serbia"),
    ("W1", "W0", "Germany"),
    ("X3", "X0", "Russia"),
    ("YN", "YN", "Malta"),
    ("ZX", "ZZ", "Slovenia"),
    # vininfo 1.11.0 alone:
    ("1A", "10", "United States"),
    ("7A", "70", "United States"),
    ("2A", "25", "Canada"),
    ("3A", "3X", "Mexico"),
    ("6Y", "61", "New Zealand"),
    ("9A", "9E", "Brazil"),
    ("92", "99", "Brazil"),
    ("XS", "XW", "Russia"),
]


@pytest.mark.parametrize(("region", "firsts"), REGIONS.items())
def test_first_character_gives_the_region(region: str, firsts: str) -> None:
    assert {find_world_region(first) for first in firsts} == {region}


def test_characters_without_an_assignment_have_no_region() -> None:
    others = set(string.printable) - set("".join(REGIONS.values()))
    assert {find_world_region(other) for other in others} == {None}
    assert find_world_region("") is None


@pytest.mark.parametrize(("first", "last", "country"), COUNTRIES)
def test_both_ends_of_a_range_belong_to_the_country(first: str, last: str, country: str) -> None:
    assert find_country(first) == country
    assert find_country(last) == country


@pytest.mark.parametrize("code", ["AN", "BL", "CA", "CL", "NJ", "RP", "XD", "XJ", "XZ", "Z1"])
def test_codes_that_moved_between_the_lists_give_no_country(code: str) -> None:
    assert find_country(code) is None


@pytest.mark.parametrize("code", ["", "1", "1I", "1O", "1Q", "00", "3Y", "TQ", "KS"])
def test_codes_outside_every_range_give_no_country(code: str) -> None:
    assert find_country(code) is None
