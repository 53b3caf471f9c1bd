"""World regions and countries by the first two characters of a VIN, as data.

The codes belong to ISO 3780; SAE keeps the assignments. Two public copies were compared: a
list of world maker codes dated 2003 and the tables of vininfo 1.11.0. `_COUNTRIES` holds the
ranges on which both agree, `_COUNTRIES_OF_ONE_LIST` those that vininfo alone has. Codes that
moved from one country to another between the two lists are left out: they give no country.

Characters count in the order `A` to `Z` without I, O and Q, then `1` to `9`, then `0`.
"""

from __future__ import annotations

_ORDER = "ABCDEFGHJKLMNPRSTUVWXYZ1234567890"

_REGIONS = (
    ("ABCDEFG", "Africa"),
    ("HJKLMNPR", "Asia"),
    ("STUVWXYZ", "Europe"),
    ("123457", "North America"),
    ("6", "Oceania"),
    ("89", "South America"),
)
"""First characters and their region. `0` is not used in the first place.

The classic table puts `H` into Africa and `7` into Oceania. Newer assignments gave `H` to
China (vininfo 1.11.0) and `7` to the United States (vininfo 1.11.0; the regulator's table in
the package vin 0.6.2 has 24 of its 30 codes in 7 as US, six without a country).
"""

_COUNTRIES = """
AA-AH South Africa    AJ-AK Ivory Coast     BA-BB Angola          BF-BG Kenya
DA-DE Egypt           JA-J0 Japan           KF-KH Israel          KL-KR South Korea
LA-L0 China           MA-ME India           MF-MK Indonesia       ML-MR Thailand
NF-NG Pakistan        NL-NR Turkey          PA-PC Philippines     PF-PG Singapore
PL-PR Malaysia        RA-RB United Arab Emirates                  RF-RK Taiwan
RL-RN Vietnam         SA-SM United Kingdom  SN-ST Germany         SU-SZ Poland
TA-TH Switzerland     TJ-TP Czech Republic  TR-TV Hungary         TW-T1 Portugal
UH-UM Denmark         UN-UR Ireland         UU-UW Romania         U5-U7 Slovakia
VA-VE Austria         VF-VR France          VS-VW Spain           VX-V2 Serbia
V3-V5 Croatia         V6-V8 Estonia         WA-W0 Germany         XA-XC Bulgaria
XF-XH Greece          XL-XR Netherlands     XX-XY Luxembourg      X3-X0 Russia
YA-YE Belgium         YF-YK Finland         YN-YN Malta           YS-YW Sweden
YX-Y2 Norway          Y3-Y5 Belarus         Y6-Y8 Ukraine         ZA-ZR Italy
ZX-ZZ Slovenia
"""
"""Both lists agree. (The 2003 list calls the holder of VX-V2 Yugoslavia.)"""

_COUNTRIES_OF_ONE_LIST = """
1A-10 United States   4A-40 United States   5A-50 United States   7A-70 United States
HA-H0 China           2A-25 Canada          3A-3X Mexico          6A-6X Australia
6Y-61 New Zealand     8A-8E Argentina       8F-8G Chile           8X-8Z Venezuela
9A-9E Brazil          92-99 Brazil          9F-9G Colombia        NA-NE Iran
UA-UC Spain           ZS-ZU Italy           XS-XW Russia
"""
"""vininfo 1.11.0 only."""


def _codes_of(table: str) -> dict[str, str]:
    """Every two-character code of `table` with its country."""
    codes: dict[str, str] = {}
    entry: list[str] = []
    for word in [*table.split(), "AA-AA"]:
        if word[2:3] != "-":
            entry.append(word)
            continue
        if entry:
            span, country = entry[0], " ".join(entry[1:])
            places = range(_ORDER.index(span[1]), _ORDER.index(span[4]) + 1)
            codes |= {span[0] + _ORDER[place]: country for place in places}
        entry = [word]
    return codes


_REGION_OF = {first: region for firsts, region in _REGIONS for first in firsts}
_COUNTRY_OF = _codes_of(_COUNTRIES_OF_ONE_LIST) | _codes_of(_COUNTRIES)


def find_world_region(text: str) -> str | None:
    """The region of the maker's code, by the first character; None where none is assigned."""
    return _REGION_OF.get(text[:1])


def find_country(text: str) -> str | None:
    """The country the maker's code was given to, by the first two characters.

    None where no source names one, or where the sources name different ones. It is the
    country of the code's holder; the vehicle may be built and sold elsewhere.
    """
    return _COUNTRY_OF.get(text[:2])
