"""Known identities: found in every form, at the right bytes, by the right name."""

from __future__ import annotations

import random

import pytest

from memtool.core.image import Image
from memtool.core.job.leftovers import CHANCE_LIMIT, is_telling
from memtool.core.span import Span
from memtool.core.texts.known_identity import (
    Coding,
    IdentityMatch,
    Part,
    describe_search,
    find_identity,
    find_paired,
    list_searched_forms,
    plan_erase,
)
from tests.slow_identity_search import search_slowly
from tests.stored_texts import ALL_FORMS, Planted, plant
from tests.vin_samples import CHECKED_VINS, UNCHECKED_VINS

VIN = "1G4AH59H45G118341"
"""49 CFR 565.15, Table VI."""


def cells_of(match: IdentityMatch) -> tuple[tuple[int, int], ...]:
    offsets = [offset for piece in match.pieces for offset in range(piece.start, piece.end)]
    return tuple(zip(offsets, match.mask, strict=True))


def fillers(rng: random.Random, size: int, form: str) -> list[bytes]:
    """Random bytes and erased ones; spaced by zeros a text is UTF-16, so there 0x20."""
    spaced = form.startswith(("every", "utf"))
    return [rng.randbytes(size), b"\xff" * size, (b"\x20" if spaced else b"\0") * size]


@pytest.mark.parametrize("form", ALL_FORMS)
def test_planted_vin_is_found_at_its_bits_by_its_name(form: str) -> None:
    rng = random.Random(f"known {form}")
    for vin in rng.sample((*CHECKED_VINS, *UNCHECKED_VINS), 6):
        for filler in fillers(rng, rng.randint(90, 400), form):
            base = rng.choice([0, 1, 0x10000003])
            planted = plant(filler, vin, form, rng)
            image = Image.from_bytes(planted.image, base=base)
            matches = [match for match in find_identity(image, vin) if is_telling(match)]
            whole = [match for match in matches if match.part is Part.WHOLE]
            assert [match.stored_as for match in whole] == [planted.name]
            if form == "split":
                # A foreign byte may equal the text's next character: the cut then moves.
                assert {planted.image[c[0] - base] for c in cells_of(whole[0])} <= set(vin.encode())
                continue
            want = tuple((base + offset, mask) for offset, mask in planted.cells)
            assert cells_of(whole[0]) == want
            assert whole[0].span == Span(base + planted.start, base + planted.end)


@pytest.mark.parametrize("shift", range(4))
def test_in_a_long_image_every_form_is_found_at_every_step_of_a_word(shift: int) -> None:
    rng = random.Random(f"long {shift}")
    # Long enough that no word is swapped to look into it.
    data = bytearray(rng.randbytes((1 << 19) + 7))
    planted: dict[int, tuple[str, Planted]] = {}
    for number, form in enumerate(ALL_FORMS):
        for text in (VIN, VIN[-8:]):
            start = len(planted) * 1000 + 4 * number + shift
            here = plant(bytes(data[start : start + 200]), text, form, rng)
            data[start : start + 200] = here.image
            planted[start] = (text, here)
    matches = find_identity(Image.from_bytes(bytes(data), base=3), VIN)
    found = {(match.stored_as, cells_of(match)): match.part for match in matches}
    sizes = {Part.WHOLE: 17, Part.LAST_8: 8}
    for start, (text, here) in planted.items():
        if here.name == "split":
            continue
        cells = tuple((3 + start + offset, mask) for offset, mask in here.cells)
        assert sizes[found[here.name, cells]] == len(text), here.name
    assert Part.WHOLE in [match.part for match in matches if match.stored_as == "split"]


def test_slow_search_agrees_on_500_small_images() -> None:
    rng = random.Random("slow search")
    forms = [form for form in ALL_FORMS if form != "split"]
    found = 0
    for _ in range(500):
        vin = rng.choice(CHECKED_VINS)
        size = rng.randint(18, 30)
        data = bytes(rng.choice(b"\x00\xff\x3015G" + rng.randbytes(6)) for _ in range(size))
        text = vin[-rng.choice([5, 6, 8, 17]) :]
        form = rng.choice(forms)
        room = size >= len(text) * (4 if "every-4" in form else 2 if form[0] in "eu" else 1) + 8
        if room:
            data = plant(data, text, form, rng).image
        fast = [
            (match.part.value, match.stored_as, cells_of(match))
            for match in find_identity(Image.from_bytes(data), vin)
            if match.coding is Coding.TEXT and match.stored_as != "split"
        ]
        slow = search_slowly(data, vin)
        assert sorted(fast) == sorted(slow), (vin, data.hex())
        found += bool(slow)
    assert found > 300


@pytest.mark.parametrize(("part", "size"), [(Part.LAST_8, 8), (Part.LAST_6, 6), (Part.LAST_5, 5)])
@pytest.mark.parametrize("form", ["plain", "swapped-16", "inverted", "reversed", "every-2"])
def test_end_of_a_vin_is_found_by_itself(part: Part, size: int, form: str) -> None:
    rng = random.Random(f"{part} {form}")
    planted = plant(rng.randbytes(512), VIN[-size:], form, rng)
    matches = [m for m in find_identity(Image.from_bytes(planted.image), VIN) if is_telling(m)]
    assert [(m.part, m.stored_as, cells_of(m)) for m in matches] == [
        (part, planted.name, planted.cells)
    ]


@pytest.mark.parametrize("form", ["utf-16-be", "utf-16-le"])
def test_utf_16_among_zeros_is_taken_to_begin_at_an_even_address(form: str) -> None:
    stored = VIN.encode(form)
    image = Image.from_bytes(b"\0" * 20 + stored + b"\0" * 20)
    (match,) = find_identity(image, VIN)
    assert (match.stored_as, match.span) == (form, Span(20, 54))


def test_whole_vin_swallows_its_parts() -> None:
    image = Image.from_bytes(b"\xff" * 32 + VIN.encode() + b"\xff" * 32)
    (match,) = find_identity(image, VIN)
    assert (match.part, match.span) == (Part.WHOLE, Span(32, 49))


def test_two_copies_side_by_side_are_two_matches() -> None:
    image = Image.from_bytes(VIN.encode() * 2)
    assert [m.span for m in find_identity(image, VIN)] == [Span(0, 17), Span(17, 34)]


def test_gap_breaks_a_vin() -> None:
    pieces = [(0, VIN[:9].encode()), (10, VIN[9:].encode())]
    parts = {match.part for match in find_identity(Image.from_pieces(pieces), VIN)}
    assert parts == {Part.LAST_8}


@pytest.mark.parametrize(
    ("stored", "part", "coding", "span"),
    [
        # 118341 = 0x01CE45, 18341 = 0x47A5 (by hand: 28 * 4096 + 3653 and 4 * 4096 + 1957).
        ("118341", Part.LAST_6, Coding.BCD, Span(8, 11)),
        ("418311", Part.LAST_6, Coding.BCD, Span(8, 11)),
        ("018341", Part.LAST_5, Coding.BCD, Span(8, 11)),
        ("18341f", Part.LAST_5, Coding.BCD, Span(8, 11)),
        ("0001ce45", Part.LAST_6, Coding.INTEGER, Span(8, 12)),
        ("45ce0100", Part.LAST_6, Coding.INTEGER, Span(8, 12)),
        ("01ce45", Part.LAST_6, Coding.INTEGER, Span(8, 11)),
        ("45ce01", Part.LAST_6, Coding.INTEGER, Span(8, 11)),
        ("000047a5", Part.LAST_5, Coding.INTEGER, Span(8, 12)),
        ("47a5", Part.LAST_5, Coding.INTEGER, Span(8, 10)),
        ("a547", Part.LAST_5, Coding.INTEGER, Span(8, 10)),
    ],
)
def test_numeric_end_is_found_as_a_number(
    stored: str, part: Part, coding: Coding, span: Span
) -> None:
    image = Image.from_bytes(b"\xee" * 8 + bytes.fromhex(stored) + b"\xee" * 8)
    matches = [(m.part, m.coding, m.stored_as, m.span) for m in find_identity(image, VIN)]
    assert matches == [(part, coding, "plain", span)]


def test_free_half_byte_of_odd_bcd_is_not_erased() -> None:
    image = Image.from_bytes(b"\xee" * 8 + bytes.fromhex("18341c") + b"\xee" * 8)
    (match,) = find_identity(image, VIN)
    assert plan_erase(image, match, 0xFF) == ((8, bytes.fromhex("fffffc")),)


def test_serial_number_with_leading_zeros_is_found_as_bcd() -> None:
    image = Image.from_bytes(b"\xee" * 5 + bytes.fromhex("0012345678") + b"\xee" * 5)
    (match,) = find_identity(image, "0012345678")
    assert (match.part, match.coding, match.span) == (Part.WHOLE, Coding.BCD, Span(5, 10))


def test_part_number_in_small_letters_is_found() -> None:
    image = Image.from_bytes(b"\0" * 9 + b"dz-4117-c2" + b"\0" * 9)
    (match,) = find_identity(image, "DZ-4117-C2")
    assert (match.stored_as, match.span) == ("lower-case", Span(9, 19))


def test_five_plain_digits_are_telling_and_a_number_in_two_bytes_is_not() -> None:
    rng = random.Random("odds")
    data = bytearray(rng.randbytes(2048))
    data[100:105], data[200:202] = b"18341", bytes.fromhex("47a5")
    matches = {m.span.start: m for m in find_identity(Image.from_bytes(bytes(data)), VIN)}
    # A random image: 2048 / 256^5 and 2048 * 2 / 65536, and not below, since the image's own
    # mix may count more.
    assert 1 <= matches[100].expected_by_chance / (2048 / 256**5) < 50
    assert is_telling(matches[100])
    assert 1 <= matches[200].expected_by_chance / (2048 * 2 / 65536) < 4
    assert matches[200].expected_by_chance >= CHANCE_LIMIT
    assert not is_telling(matches[200])


def test_image_full_of_digits_makes_five_digits_worthless() -> None:
    rng = random.Random("digits")
    image = Image.from_bytes(bytes(rng.choice(b"0123456789") for _ in range(100_000)))
    plain = [m for m in find_identity(image, VIN) if (m.part, m.stored_as) == ("last-5", "plain")]
    # 100,000 places, each digit one of ten.
    assert plain
    assert plain[0].expected_by_chance == pytest.approx(1, rel=0.1)


@pytest.mark.parametrize("form", ALL_FORMS)
def test_erasing_a_match_changes_its_bits_and_no_others(form: str) -> None:
    rng = random.Random(f"erase {form}")
    for fill in (0x00, 0xFF, 0x20):
        planted = plant(rng.randbytes(200), VIN, form, rng)
        image = Image.from_bytes(planted.image)
        (match,) = [m for m in find_identity(image, VIN) if m.part is Part.WHOLE]
        erased = image.with_bytes(plan_erase(image, match, fill)).segments[0].data
        masks = dict(cells_of(match))
        if form != "split":
            assert masks == dict(planted.cells)
        for offset, (old, new) in enumerate(zip(planted.image, erased, strict=True)):
            mask = masks.get(offset, 0)
            assert new == old & ~mask & 0xFF | fill & mask
        left = find_identity(Image.from_bytes(erased), VIN)
        assert [m for m in left if m.coding is Coding.TEXT] == []


def test_erase_refuses_a_fill_that_is_no_byte() -> None:
    image = Image.from_bytes(VIN.encode())
    (match,) = find_identity(image, VIN)
    with pytest.raises(ValueError, match="not a byte: 256"):
        plan_erase(image, match, 256)


def test_pair_is_certain_where_each_image_holds_its_own_end() -> None:
    rng = random.Random("pairs")
    other = "1M8GDM9AXKP042788"
    a, b = bytearray(rng.randbytes(2048)), bytearray(rng.randbytes(2048))
    # Last five digits as numbers in two bytes: 18341 = 0x47A5, 42788 = 0xA724.
    a[700:702], b[700:702] = bytes.fromhex("47a5"), bytes.fromhex("a724")
    a[900:902] = bytes.fromhex("47a5")
    pairs = find_paired(Image.from_bytes(bytes(a)), VIN, Image.from_bytes(bytes(b)), other)
    assert [(p.span, p.part, p.coding) for p in pairs] == [
        (Span(700, 702), Part.LAST_5, Coding.INTEGER)
    ]
    assert pairs[0].expected_by_chance < CHANCE_LIMIT


def test_pair_needs_the_same_form_and_texts_that_differ() -> None:
    other = "1M8GDM9AXKP042788"
    plain = Image.from_bytes(b"\xff" * 8 + VIN.encode())
    backwards = Image.from_bytes(b"\xff" * 8 + other[::-1].encode())
    assert find_paired(plain, VIN, backwards, other) == ()
    assert find_paired(plain, VIN, plain, VIN) == ()


@pytest.mark.parametrize(
    "text", ["", "123", "1" * 17, "A" * 65, "WP0ZZZ99ZTS39212\u0661", "AB\tCDE"]
)
def test_text_that_identifies_nothing_is_the_callers_mistake(text: str) -> None:
    with pytest.raises(ValueError, match=r"identity|filler"):
        find_identity(Image.from_bytes(b"\0" * 100), text)


def test_small_letters_and_blanks_around_it_are_read_as_the_label_has_it() -> None:
    image = Image.from_bytes(VIN.encode())
    assert find_identity(image, f" {VIN.lower()} ") == find_identity(image, VIN)


def test_empty_image_holds_nothing() -> None:
    assert find_identity(Image.from_bytes(b""), VIN) == ()


@pytest.mark.parametrize("data", [b"\xff" * 65536, b"\0" * 65536, b"0" * 65536, b"00001" * 8192])
def test_monotonous_images_end_in_bounded_answers(data: bytes) -> None:
    matches = find_identity(Image.from_bytes(data), "5N1NJ01CXST000001")
    assert len(matches) <= 5000
    assert not any(match.part is Part.WHOLE for match in matches)


def test_proof_line_counts_the_forms_it_names() -> None:
    forms = list_searched_forms()
    assert len(set(forms)) == len(forms) == len(ALL_FORMS)
    assert set(forms) == set(ALL_FORMS)
    assert f"{len(ALL_FORMS)} stored forms" in describe_search()
