"""VINs among other text: read as themselves, alone or with the other windows that are allowed.

A short form of tests/bench/measure_vins.py; the rates of many more are in docs/vin.md.
"""

from __future__ import annotations

import random
from collections import Counter

import pytest

from memtool.core.image import Image
from memtool.core.texts.vin_search import VinFinding, find_vins
from tests.bench.measure_vins import SURROUNDINGS, judge, make_surrounding
from tests.fillers import make_filler
from tests.stored_texts import plant
from tests.vins_among_text import CONTEXTS, make_vin, place


def find(data: bytes) -> tuple[VinFinding, ...]:
    return find_vins(Image.from_bytes(data))


def test_plain_vin_behind_a_part_number_is_no_rearrangement() -> None:
    data = bytearray(b"\xff" * 256)
    text = b"2C0937VX7ZZZ5KZHW654483"
    data[0x40 : 0x40 + len(text)] = text
    (found,) = find(bytes(data))
    assert found.stored_as == "plain"
    assert "VX7ZZZ5KZHW654483" in found.texts


@pytest.mark.parametrize("checked", [True, False])
@pytest.mark.parametrize("context", CONTEXTS)
def test_plain_vin_among_text_is_read_right(context: str, checked: bool) -> None:
    verdicts: dict[bool, Counter[str]] = {True: Counter(), False: Counter()}
    rng = random.Random(f"among text {context} {checked}")
    for surrounding in SURROUNDINGS:
        for _ in range(12):
            vin = make_vin(rng, checked=checked)
            placed = place(make_surrounding(surrounding, rng), vin, context, "plain", rng)
            speaks = placed.bordered or (checked and len(placed.windows) == 1)
            verdicts[speaks][judge(placed)] += 1
    # 99 of 100 in the long run; a short one may meet two of the others.
    assert verdicts[True].total() - verdicts[True]["alone"] <= 3, verdicts
    assert verdicts[True]["without"] + verdicts[False]["without"] <= 1, verdicts
    assert verdicts[False]["missed"] <= 1, verdicts


def test_several_vins_in_a_row_are_all_told() -> None:
    rng = random.Random("in a row")
    for number in (2, 3):
        for _ in range(40):
            vins = [make_vin(rng, checked=rng.random() < 0.5) for _ in range(number)]
            found = find(b"\xff" * 30 + "".join(vins).encode() + b"\xff" * 30)
            assert [each.text for each in found] == vins


@pytest.mark.parametrize("form", ["utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("filler", [b"\xff", b"\x00"])
@pytest.mark.parametrize("start", [30, 31])
def test_wide_vins_in_a_row_share_one_order_of_bytes(form: str, filler: bytes, start: int) -> None:
    """Between two of them each has a zero on both sides: the ends of the text decide.

    Among zeros nothing does but the address: words begin at even ones.
    """
    rng = random.Random("wide in a row")
    for _ in range(10):
        vins = [make_vin(rng, checked=checked) for checked in (True, False)]
        data = filler * start + "".join(vins).encode(form) + filler * 30
        found = find(data)
        assert [each.text for each in found] == vins
        if filler == b"\xff":
            assert {each.stored_as for each in found} == {form}


@pytest.mark.parametrize("backwards", [False, True])
def test_dates_of_certificates_are_no_vins(backwards: bool) -> None:
    """X.690, 11.7 and 11.8: both kinds of time, each behind its tag and length."""
    rng = random.Random(f"dates {backwards}")
    for _ in range(300):
        day = f"{rng.randint(0, 49):02}{rng.randint(1, 12):02}{rng.randint(1, 28):02}"
        clock = f"{rng.randint(0, 23):02}{rng.randint(0, 59):02}{rng.randint(0, 59):02}Z"
        times = b"0 \x17\r" + (day + clock).encode() + b"\x18\x0f20" + (day + clock).encode()
        name = bytes(rng.choices(b"0J1ABCXYZ", k=4)) + b"\x0b0\t\x06\x03U\x04\x06\x13\x02US"
        data = rng.randbytes(60) + times + name + rng.randbytes(60)
        assert find(data[::-1] if backwards else data) == ()


def test_serial_numbers_and_every_second_letter_of_text_are_no_vins() -> None:
    rng = random.Random("numbers")
    told = 0
    for _ in range(150):
        numbers = [f"SN{rng.randrange(10**9):09d}" for _ in range(20)]
        told += len(find(b"\0".join(number.encode() for number in numbers)))
        told += len(find(make_filler("text", 1024, rng)))
    # Text makes one in some hundred images, in six bits a character: docs/stored-forms.md.
    assert told <= 1


def test_other_reading_says_where_it_lies_and_how() -> None:
    """By hand: one place on, the text begins with VW, a code of Spain (ISO 3780), and ends with
    four digits too; neither country's rules ask for a check digit."""
    (found,) = find(b"\xff" * 20 + b"WVWZZZ1KZ6W6544837" + b"\xff" * 20)
    told = [(each.text, each.span.start, each.stored_as) for each in found.all_readings]
    assert [each for each in told if each[2] == "plain"] == [
        ("WVWZZZ1KZ6W654483", 20, "plain"),
        ("VWZZZ1KZ6W6544837", 21, "plain"),
    ]


@pytest.mark.parametrize(
    ("form", "text", "vin"),
    [
        ("every-2", "TRYZZZWRZV6310150926559", "TRYZZZWRZV6310150"),
        ("negated", "VSLHRWXY526625101PY", "VSLHRWXY526625101"),
        ("bits-reversed", "WVRTSNXZZHC805774", "WVRTSNXZZHC805774"),
    ],
)
def test_a_vin_of_neighbouring_letters_is_told_beside_what_is_clear(
    form: str, text: str, vin: str
) -> None:
    """Its letters lie as close together as values of a table, so nothing but another reading of
    its bytes speaks for it (rule 7 of `memtool.core.texts.vin_shape`)."""
    planted = plant(b"\xff" * 512, text, form, random.Random(text))
    (found,) = find(planted.image)
    assert vin in found.texts


@pytest.mark.parametrize(
    ("form", "vin"),
    [("every-4", "JNUYVPEA375258245"), ("every-2", "SBDAD311293374739")],
)
def test_a_vin_that_looks_like_a_table_is_told_where_a_border_speaks_for_it(
    form: str, vin: str
) -> None:
    """Rules 6 and 7 of `memtool.core.texts.vin_shape`; made by tests/vins_among_text.py."""
    planted = plant(b"\x00" * 512, vin, form, random.Random(vin))
    (found,) = find(planted.image)
    assert found.texts == {vin}


@pytest.mark.parametrize(("before", "behind"), [("40429122", ""), ("", "CFKME"), ("TPNBE", "")])
def test_a_vin_between_the_letters_of_a_text_is_told(before: str, behind: str) -> None:
    """The text around has no digits where the VIN has its serial number."""
    vin = "TSWZZZPR64Y659060"
    text = bytearray(b"sensor pressure temperature engine door window lamp relay " * 4)
    row = f" {before}{vin}{behind} ".encode()
    text[40 : 40 + 2 * len(row) : 2] = row
    (found,) = find(bytes(text))
    assert vin in found.texts


@pytest.mark.parametrize("label", ["VIN:", "CHASSIS ", "CHASSIS: "])
@pytest.mark.parametrize("form", ["plain", "swapped-16", "swapped-32", "reversed"])
def test_a_label_speaks_for_the_order_in_which_it_can_be_read(label: str, form: str) -> None:
    """Each of these VINs has another order that the standards allow as well."""
    others = 0
    for vin in ("TSZ3A3Y68DA339187", "WBHHEVMW6CF027311", "XTZNS58H6W2606043"):
        for start in range(4):
            text = "/" * start + label + vin + "/01."
            planted = plant(b"\xff" * 256, text, form, random.Random(vin))
            (found,) = find(planted.image)
            assert found.text == vin
            others += len(found.readings)
    # The letters of a label may make a longer row in another order.
    assert others <= 10


def test_of_two_orders_the_one_whose_maker_code_is_usual_is_read() -> None:
    """A letter in position 2 (the package vin 0.6.2: 65 of 67 maker codes), three fillers."""
    for form, vin in (("swapped-16", "XSZZZZUW7V4683152"), ("reversed", "TSXZZZUW7V4683152")):
        planted = plant(b"\xff" * 256, f"/{vin}/", form, random.Random(vin))
        assert [each.texts for each in find(planted.image)] == [{vin}]


def test_two_characters_in_turns_under_a_key_are_no_vin() -> None:
    """Found in real firmware, where it was told as a VIN under the key 50."""
    data = random.Random("in turns").randbytes(512)
    row = bytes(code ^ 0x50 for code in b"3P3P3P3P3P3P31851")
    planted = bytearray(data)
    planted[100 : 100 + 2 * len(row) : 2] = row
    assert find(bytes(planted)) == ()


@pytest.mark.parametrize("form", ["reversed", "swapped-16", "every-2", "inverted"])
def test_the_digits_of_hexadecimal_numbers_are_no_vin_in_another_order(form: str) -> None:
    """Real firmware holds them in a row, and the check digit happens to be right."""
    planted = plant(b"\x00" * 512, "9FEDCBA9876543210", form, random.Random(form))
    assert find(planted.image) == ()
