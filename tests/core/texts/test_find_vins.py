"""Unknown VINs: found by structure in every form, and what is not taken for one."""

from __future__ import annotations

import random
import string
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.core.image import Image
from memtool.core.span import Span
from memtool.core.texts.chance import REPORTED_BELOW, VIN_CODES
from memtool.core.texts.known_identity import VinFinding, find_vins
from memtool.core.texts.vin import CheckDigitState, compute_check_digit
from memtool.errors import InputError
from tests.fillers import FILLERS, make_filler
from tests.stored_texts import ALL_FORMS, Planted, plant
from tests.vin_samples import CHECKED_VINS, UNCHECKED_VINS

VIN = "1G4AH59H45G118341"
"""49 CFR 565.15, Table VI."""
NO_CHECK_DIGIT = "WP0ZZZ99ZTS392124"
"""Zint, test data: position 9 holds a letter."""
UNKNOWN_FORMS = [form for form in ALL_FORMS if form != "split"]
WITHOUT_KEY = [form for form in UNKNOWN_FORMS if "xor" not in form and form != "added"]


def find(data: bytes, *, deep: bool = False) -> tuple[VinFinding, ...]:
    return find_vins(Image.from_bytes(data), deep=deep)


def is_found(planted: Planted, vin: str, *, deep: bool = False) -> bool:
    """Whether exactly these bits give this VIN by this name, and no other finding lies across
    it. Where another key fits equally well it may be told as a reading."""
    findings = [
        finding
        for finding in find(planted.image, deep=deep)
        if finding.span.overlaps(Span(planted.start, planted.end))
    ]
    cells = [
        tuple(
            zip(
                (a for piece in finding.pieces for a in range(piece.start, piece.end)),
                finding.mask,
                strict=True,
            )
        )
        for finding in findings
    ]
    if len(findings) != 1 or cells != [planted.cells]:
        return False
    (found,) = findings
    wanted = (vin, planted.name, found.span)
    # A negated text may be an inverted one, each character one lower: nothing tells which.
    keyed = any(each in planted.name for each in ("xor", "added", "negated", "inverted"))
    readings = [(each.text, each.stored_as, each.span) for each in found.readings]
    return wanted in [(found.text, found.stored_as, found.span), *(readings if keyed else [])]


@pytest.mark.parametrize("form", WITHOUT_KEY)
def test_vin_in_erased_memory_is_always_found(form: str) -> None:
    rng = random.Random(f"erased {form}")
    six_bits = form.startswith("packed-6")
    vins = CHECKED_VINS if six_bits else (*CHECKED_VINS, *UNCHECKED_VINS)
    for vin in vins:
        planted = plant(b"\xff" * rng.randint(120, 400), vin, form, rng)
        assert is_found(planted, vin), (vin, planted.name)


@pytest.mark.parametrize("form", UNKNOWN_FORMS)
def test_vins_far_and_near_in_one_image_are_each_found(form: str) -> None:
    """Each at another phase, key and bit: one does not count as chance against the others.

    Under a key one of them may have another reading that is as good or better.
    """
    rng = random.Random(f"several {form}")
    image, expected = b"", set()
    for vin in CHECKED_VINS[:8]:
        planted = plant(b"\xff" * rng.randint(75, 300), vin, form, rng)
        start, end = len(image) + planted.start, len(image) + planted.end
        expected.add((vin, planted.name, Span(start, end)))
        image += planted.image
    found = {
        (each.text, each.stored_as, each.span)
        for finding in find(image)
        for each in finding.all_readings
    }
    if form in WITHOUT_KEY:
        # An inverted text may be a negated one, each character one higher.
        assert {each for each in found if "negated" not in each[1] or "negated" in form} == expected
    else:
        assert len(expected - found) <= 1


@pytest.mark.parametrize("form", [form for form in UNKNOWN_FORMS if "packed" in form])
def test_packed_vin_is_found_wherever_the_image_is_cut_into_chunks(form: str) -> None:
    """Images are worked on in chunks of a power of two: none of their borders may break a VIN."""
    rng = random.Random(f"chunks {form}")
    for before in range(32768 - 31, 32768, 3):
        vin = rng.choice(CHECKED_VINS)
        planted = plant(b"\xff" * 31, vin, form, rng)
        found = find(b"\xff" * before + planted.image + b"\xff" * 50)
        assert [(each.text, each.stored_as) for each in found] == [(vin, planted.name)], before


@pytest.mark.parametrize("form", ["xor", "added", "packed-6-msb", "packed-7-lsb"])
def test_vin_among_many_that_miss_by_the_check_digit_needs_a_deep_search(form: str) -> None:
    """Of so many misses one has the right check digit by chance: about one in 33 would."""
    rng = random.Random(f"misses {form}")
    misses = [plant(b"\xff" * 80, VIN.replace("9H45", "9H35"), form, rng) for _ in range(9)]
    right = plant(b"\xff" * 80, VIN, form, rng)
    for place in (0, 4, 9):
        images = [miss.image for miss in misses]
        images.insert(place, right.image)
        data = b"".join(images)
        assert VIN not in {found.text for found in find(data)}
        (found,) = [found for found in find(data, deep=True) if found.text == VIN]
        assert found.span.start == 80 * place + right.start
        assert found.expected_by_chance > REPORTED_BELOW


@pytest.mark.parametrize("form", UNKNOWN_FORMS)
def test_vin_among_random_bytes_is_found(form: str) -> None:
    """All but a few: a neighbour may by accident make another reading as good."""
    rng = random.Random(f"among random bytes {form}")
    missed = []
    for vin in CHECKED_VINS:
        for _ in range(2):
            planted = plant(rng.randbytes(rng.randint(120, 600)), vin, form, rng)
            if not is_found(planted, vin):
                missed.append((vin, planted.name))
    # What is negated may be read as inverted, see above.
    assert len(missed) <= (6 if "negated" in form else 3), missed


@pytest.mark.parametrize("form", ["xor", "added", "every-2+xor", "swapped-16+xor"])
def test_vin_without_check_digit_under_a_key_needs_a_deep_search(form: str) -> None:
    rng = random.Random(f"deep {form}")
    planted = plant(rng.randbytes(300), "VF1LM1B0H36666155", form, rng)
    assert find(planted.image) == ()
    assert planted.start in {finding.span.start for finding in find(planted.image, deep=True)}


@pytest.mark.parametrize(
    ("vin", "state"),
    [
        (VIN, CheckDigitState.VALID),
        (NO_CHECK_DIGIT, CheckDigitState.NOT_REQUIRED),
        ("5GZCZ43D23S812715", CheckDigitState.INVALID),  # Zint, error 338
        ("WBAXW1104J0X16755", CheckDigitState.VALID),  # a letter in the serial
    ],
)
def test_plain_vin_at_clear_boundaries_is_found_with_its_state(
    vin: str, state: CheckDigitState
) -> None:
    rng = random.Random("plain")
    for before, after in ((b"\xff", b"\xff"), (b"\0", b"\0"), (b" ", b"."), (b":", b"\r")):
        data = rng.randbytes(1000) + before + vin.encode() + after + rng.randbytes(1000)
        (found,) = find(data)
        assert (found.text, found.stored_as, found.check_digit) == (vin, "plain", state)
        assert found.span == Span(1001, 1018)
        assert found.expected_by_chance < REPORTED_BELOW


def test_two_vins_side_by_side_are_two() -> None:
    for first, second in ((VIN, NO_CHECK_DIGIT), (NO_CHECK_DIGIT, NO_CHECK_DIGIT)):
        data = b"\xff" * 9 + first.encode() + second.encode() + b"\xff" * 9
        assert [(f.text, f.span.start) for f in find(data)] == [(first, 9), (second, 26)]


@pytest.mark.parametrize("offset", [100, 101, 102, 103])
@pytest.mark.parametrize("unit", [2, 4])
def test_field_that_was_swapped_by_itself_is_read_rightly(unit: int, offset: int) -> None:
    """By accident ``G1A45HH9541G81431`` has a matching check digit too, but no country."""
    swapped = "".join(VIN[place : place + unit][::-1] for place in range(0, 17, unit))
    (found,) = find(b"\xff" * offset + swapped.encode() + b"\xff" * 100)
    assert (found.text, found.stored_as) == (VIN, f"swapped-{8 * unit}")
    assert found.span == Span(offset, offset + 17)


def test_vin_at_the_very_end_and_alone_is_found() -> None:
    assert [f.span for f in find(VIN.encode())] == [Span(0, 17)]
    assert [f.span for f in find(b"\xff" * 100 + VIN.encode())] == [Span(100, 117)]


def test_gap_breaks_a_vin() -> None:
    image = Image.from_pieces([(0, VIN[:9].encode()), (10, VIN[9:].encode())])
    assert find_vins(image, deep=True) == ()


def test_addresses_are_absolute_in_every_segment() -> None:
    image = Image.from_pieces([(0x10, b"\xff" * 8), (0x10001001, b"\xff" + VIN.encode())])
    assert [f.span for f in find_vins(image)] == [Span(0x10001002, 0x10001013)]


@pytest.mark.parametrize("character", "01X\xff\x00 ")
def test_run_of_equal_characters_is_no_vin(character: str) -> None:
    """Seventeen equal digits have a matching check digit: the weights add up to 89."""
    data = b"\xee" + character.encode("latin-1") * 17 + b"\xee"
    assert find(data, deep=True) == ()
    assert find(character.encode("latin-1") * 4096, deep=True) == ()


@pytest.mark.parametrize(
    "text",
    [
        "0123456789" * 4,
        "ABCDEFGHJKLMNPRSTUVWXYZ0123456789",
        "0123456789ABCDEF0123456789ABCDEF",
        "D41D8CD98F00B204E9800998ECF8427E",  # MD5 of nothing, RFC 1321
        "ENGINE SPEED SENSOR SIGNAL IMPLAUSIBLE",
        "S00600004844521BS12300004E6F77206973207468652074696D6520666F72",
    ],
)
def test_other_texts_in_capitals_and_digits_are_no_vins(text: str) -> None:
    assert find(b"\xff" * 40 + text.encode() + b"\xff" * 40) == ()
    assert find(b"\xff" * 40 + text.lower().encode() + b"\xff" * 40) == ()


def test_long_run_of_capitals_and_digits_gives_few_vins() -> None:
    rng = random.Random("runs of thirty")
    number = 0
    for _ in range(1000):
        run = "".join(rng.choices("ABCDEFGHJKLMNPRSTUVWXYZ0123456789", k=30))
        number += len(find(b"\xff" * 20 + run.encode() + b"\xff" * 20))
    # Fourteen windows of which 1 in 119 has four digits; of those at most half a country.
    assert number <= 1000 * 14 / 119 / 2


def test_vin_inside_a_longer_run_is_found_by_its_check_digit() -> None:
    data = b"\xff" * 20 + b"DZ4117" + VIN.encode() + b"K9K9XY" + b"\xff" * 20
    assert [(f.text, f.span.start) for f in find(data)] == [(VIN, 26)]


def test_smooth_map_is_no_vin_in_any_form() -> None:
    for step in (1, -1, 2, -2, 3):
        ramp = bytes((0x5A + step * index) % 256 for index in range(200))
        assert find(ramp) == ()


@pytest.mark.parametrize("kind", sorted(FILLERS))
def test_fillers_without_a_vin_give_at_most_a_stray_one(kind: str) -> None:
    """Rates on many more images are in docs/stored-forms.md."""
    rng = random.Random(f"fillers of the tests {kind}")
    found = [f for _ in range(25) for f in find(make_filler(kind, 2048, rng))]
    assert len(found) <= 2, found


def test_deep_search_shows_what_chance_can_make() -> None:
    rng = random.Random("deep")
    data = rng.randbytes(1 << 20)
    assert find(data) == ()
    deep = find(data, deep=True)
    assert {f.stored_as[:8] for f in deep} == {"packed-6"}
    assert all(f.expected_by_chance >= REPORTED_BELOW for f in deep)


def test_more_is_expected_of_a_larger_image_and_of_a_weaker_text() -> None:
    rng = random.Random("expectation")
    small = find(rng.randbytes(500) + b"\xff" + VIN.encode() + b"\xff" + rng.randbytes(500))
    large = find(rng.randbytes(5000) + b"\xff" + VIN.encode() + b"\xff" + rng.randbytes(5000))
    weak = find(rng.randbytes(500) + b"\xff" + NO_CHECK_DIGIT.encode() + b"\xff" * 500)
    assert large[0].expected_by_chance > small[0].expected_by_chance
    # A random image: N * (33/256)^12 * (10/256)^4 * (11/256) / 11, or nearly.
    model = (33 / 256) ** 12 * (10 / 256) ** 4 / 256
    assert 0.5 < large[0].expected_by_chance / (10_019 * model) < 5
    assert weak[0].expected_by_chance > 10 * small[0].expected_by_chance


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=300), st.booleans())
def test_any_bytes_are_taken_and_findings_hold_what_they_say(data: bytes, deep: bool) -> None:
    for found in find(data, deep=deep):
        assert len(found.text) == 17
        assert set(found.text) <= set(string.ascii_uppercase + string.digits) - set("IOQ")
        assert sum(map(len, found.pieces)) == len(found.mask)
        assert 0 <= found.span.start < found.span.end <= len(data)
        assert found.pieces[0].start == found.span.start
        assert found.pieces[-1].end == found.span.end
        if not deep:
            assert found.expected_by_chance < REPORTED_BELOW


def test_findings_are_sorted_and_share_no_byte() -> None:
    rng = random.Random("sorted")
    data = bytearray(rng.randbytes(3000))
    for place, vin in zip(range(50, 3000, 170), CHECKED_VINS, strict=False):
        data[place : place + 17] = vin.encode()
    spans = [f.span for f in find(bytes(data))]
    assert spans == sorted(spans)
    assert len(spans) == len(CHECKED_VINS)
    assert all(a.end <= b.start for a, b in pairwise(spans))


def make_list(count: int, *, between: bytes = b"\xff") -> bytes:
    """So many VINs, no two alike, with their check digits."""
    rng = random.Random(count)
    made = []
    for _ in range(count):
        text = f"1G4AH59{rng.choice('HKM')}?5G{rng.randrange(10**6):06}"
        made.append(text.replace("?", compute_check_digit(text.replace("?", "0"))).encode())
    return between.join(made)


@pytest.mark.parametrize("between", [b"\xff", b""], ids=["apart", "in one run"])
def test_a_list_of_vehicles_is_no_memory(between: bytes) -> None:
    vins = make_list(5000, between=between)
    with pytest.raises(InputError, match="a list of vehicles, not the memory of a module"):
        find(vins + b"Z")
    # A part of it is searched as ever.
    assert len(find(vins[: 300 * (17 + len(between))])) == 300


def test_long_text_that_makes_vins_by_chance_is_no_list() -> None:
    rng = random.Random(6)
    letters = bytes(rng.choices(sorted(VIN_CODES), k=1 << 19))
    assert find(letters) == ()
