"""Does a layout fit an image, and which of several does."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.core.chip import find_chip
from memtool.core.image import Image
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.layout_fit import check_fit, rank_layouts
from memtool.formats.layout_toml.parsing import parse_layout
from tests.sample_layout import LAYOUT, sample_image

SAMPLE = parse_layout(LAYOUT)
IMAGE = Image.from_bytes(sample_image())
BLANK = Image.from_bytes(b"\xff" * 512)


def variant(*changes: tuple[str, str], name: str = "other") -> Layout:
    text = LAYOUT.replace("door zone controller, board T", name)
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return parse_layout(text)


MOVED = variant(
    ('"0x0010+17"', '"0x0011+17"'),
    ('"0x0010-0x005F"', '"0x0011-0x005F"'),
    ('"0x00C0-0x00C7"', '"0x00C1-0x00C7"'),
    ('"0x0100-0x0101", ', '"0x0100+1", '),
    name="moved",
)
"""The same places by the byte, but no checksum and no field of the identity holds."""


def test_layout_of_the_family_fits_with_all_that_it_says() -> None:
    fit = check_fit(SAMPLE, IMAGE, chip=find_chip("M24C04"), part_number="dz-4177-tx")
    assert fit.fits
    assert (fit.size_ok, fit.chip_ok, fit.part_ok) == (True, True, True)
    assert (fit.checksums_right, fit.checksums_wrong, fit.checksums_blank) == (3, 0, 0)
    assert fit.evidence_bits == 16 + 32 + 8
    assert (fit.fields_decoded, fit.fields_blank, fit.fields_faulty) == (8, 0, 0)
    # 3 VIN copies, 1 + 2 state, 12 + 4 module, 32 keys, 16 equipment, 128 curves, 7 checksums
    assert fit.bytes_explained == 17 + 17 + 15 + 3 + 16 + 32 + 16 + 128 + 7
    assert fit.bytes_total == 512
    assert fit.copy_faults == ()


def test_layout_of_another_place_does_not_fit() -> None:
    fit = check_fit(MOVED, IMAGE)
    assert not fit.fits
    assert (fit.checksums_right, fit.checksums_wrong, fit.evidence_bits) == (0, 3, 0)
    assert "3 of 3 checksums are wrong." in fit.reasons


@pytest.mark.parametrize(
    "image",
    [
        Image.from_bytes(sample_image()[:-1]),
        Image.from_bytes(sample_image() + b"\xff"),
        Image.from_bytes(sample_image(), base=1),
        Image.from_pieces([(0, sample_image()[:256]), (257, sample_image()[257:])]),
        Image.from_bytes(b""),
    ],
)
def test_image_of_other_addresses_does_not_fit(image: Image) -> None:
    fit = check_fit(SAMPLE, image)
    assert (fit.fits, fit.size_ok) == (False, False)
    assert fit.reasons[0].startswith("The layout is for 0x0000-0x01FF (512 bytes), the image")


def test_other_chip_does_not_fit_and_no_chip_is_no_evidence() -> None:
    assert check_fit(SAMPLE, IMAGE, chip=find_chip("93C66")).fits is False
    assert check_fit(SAMPLE, IMAGE).chip_ok is None
    assert check_fit(SAMPLE, IMAGE, chip=None).chip_ok is None


def test_part_number_that_is_not_listed_rules_nothing_out() -> None:
    fit = check_fit(SAMPLE, IMAGE, part_number="DZ-4177-C1")
    assert (fit.fits, fit.part_ok) == (True, False)
    assert "The part number DZ-4177-C1 is not among those that the layout was seen on." in (
        fit.reasons
    )


def test_blank_module_of_the_family_still_fits() -> None:
    fit = check_fit(SAMPLE, BLANK)
    assert fit.fits
    assert (fit.checksums_wrong, fit.checksums_blank) == (0, 3)
    assert fit.fields_blank == 5
    assert fit.evidence_bits == 0


def test_checksum_over_equal_bytes_is_no_evidence() -> None:
    """Every plain sum over zeros is zero, whatever the family."""
    layout = variant(('"SUM-8/TWOS"', '"SUM-8"'))
    fit = check_fit(layout, Image.from_bytes(bytes(512)))
    assert (fit.checksums_right, fit.evidence_bits) == (2, 0)


@given(st.binary(max_size=600), st.sampled_from([0, 1, 256]))
@settings(max_examples=40, deadline=None)
def test_no_content_makes_the_fit_raise(data: bytes, base: int) -> None:
    fit = check_fit(SAMPLE, Image.from_bytes(data, base=base))
    assert fit.bytes_explained <= fit.bytes_total == len(data)
    total = fit.checksums_right + fit.checksums_wrong + fit.checksums_blank
    assert total + fit.checksums_not_checked == 3


def test_of_two_layouts_the_one_whose_checksums_hold_wins() -> None:
    ranking = rank_layouts([MOVED, SAMPLE], IMAGE)
    assert [fit.layout.name for fit in ranking.fits] == [SAMPLE.name, "moved"]
    assert [fit.layout for fit in ranking.best] == [SAMPLE]
    assert ranking.reason == f"'{SAMPLE.name}' is the only layout that fits."


def test_of_two_that_fit_more_bits_of_checksums_win() -> None:
    fewer = replace(SAMPLE, name="fewer", checksums=SAMPLE.checksums[:1])
    ranking = rank_layouts([fewer, SAMPLE], IMAGE)
    assert [fit.layout for fit in ranking.best] == [SAMPLE]
    assert ranking.reason == (
        f"'{SAMPLE.name}' fits better than 'fewer': more bits of its checksums are right."
    )


def test_of_two_with_the_same_evidence_the_one_with_fewer_wrong_checksums_wins() -> None:
    image = IMAGE.with_bytes([(0x10A, bytes([sample_image()[0x10A] ^ 1]))])
    two = replace(SAMPLE, name="two", checksums=SAMPLE.checksums[:2])
    ranking = rank_layouts([SAMPLE, two], image)
    assert [fit.evidence_bits for fit in ranking.fits] == [48, 48]
    assert [fit.layout for fit in ranking.best] == [two]
    assert ranking.reason.endswith("fewer of its checksums are wrong.")


def test_part_number_decides_between_layouts_of_the_same_evidence() -> None:
    other = variant(('"DZ-41??-T*"', '"DZ-99*"'))
    ranking = rank_layouts([other, SAMPLE], IMAGE, part_number="DZ-9901")
    assert [fit.layout for fit in ranking.best] == [other]
    assert ranking.reason.endswith("it lists the part number.")


def test_layouts_that_say_the_same_are_equal_and_a_person_chooses() -> None:
    twin = variant(name="twin")
    ranking = rank_layouts([SAMPLE, twin], IMAGE)
    assert [fit.layout for fit in ranking.best] == [SAMPLE, twin]
    assert ranking.reason.startswith(f"'{SAMPLE.name}' and 'twin' are equal: ")


def test_reviewed_layout_wins_over_the_same_one_unreviewed() -> None:
    draft = variant(("reviewed = true", "reviewed = false"), name="draft")
    ranking = rank_layouts([draft, SAMPLE], IMAGE)
    assert ranking.best[0].layout is SAMPLE
    assert ranking.reason.endswith("a person has reviewed it.")


def test_order_of_the_layouts_does_not_decide() -> None:
    others = [MOVED, SAMPLE, variant(("reviewed = true", "reviewed = false"))]
    for order in (others, others[::-1]):
        assert [fit.layout.name for fit in rank_layouts(order, IMAGE).fits] == [
            SAMPLE.name,
            "other",
            "moved",
        ]


def test_no_layout_fits_and_the_reason_names_each() -> None:
    small = Image.from_bytes(bytes(64))
    ranking = rank_layouts([SAMPLE, MOVED], small)
    assert ranking.best == ()
    assert ranking.reason.startswith(f"No layout fits: '{SAMPLE.name}': it is for 0x0000-0x01FF")


def test_no_layout_to_choose_from() -> None:
    assert rank_layouts([], IMAGE).reason == "There is no layout to choose from."
