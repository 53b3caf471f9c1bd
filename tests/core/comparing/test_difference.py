"""Two images compared: runs, regions, fields, and whether one layout holds for both."""

from __future__ import annotations

import zlib
from collections.abc import Iterable

from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.core.checksums.checksum import ChecksumRule, WhenBlanked
from memtool.core.chip import find_chip
from memtool.core.comparing.difference import Difference, compare_images
from memtool.core.finding import Verdict
from memtool.core.image import Image
from memtool.core.layouts.fields import FieldState
from memtool.core.layouts.layout import FieldType, Layout, ModuleKind, Region, RegionKind
from memtool.core.span import Span

# Published worked VINs: 49 CFR 565.15 Table VI; Wikipedia, vehicle identification number.
VIN_A, VIN_B = b"1G4AH59H45G118341", b"1M8GDM9AXKP042788"

PIECES = st.lists(
    st.tuples(st.integers(0, 12).map(lambda slot: slot * 8), st.binary(max_size=8)),
    max_size=8,
    unique_by=lambda piece: piece[0],
)


def layout_of(*regions: Region, checksums: tuple[ChecksumRule, ...] = ()) -> Layout:
    return Layout(
        name="test module",
        chip="24C02",
        size=256,
        module=ModuleKind.BODY,
        regions=regions,
        checksums=checksums,
    )


VIN = Region(
    name="VIN", span=Span(0x20, 0x31), kind=RegionKind.VEHICLE_IDENTITY, type=FieldType.VIN
)
COUNTER = Region(name="counter", span=Span(0x31, 0x33), kind=RegionKind.STATE, type=FieldType.U16BE)
KEYS = Region(name="keys", span=Span(0x40, 0x50), kind=RegionKind.PROTECTED, type=FieldType.BYTES)
SUM = ChecksumRule(
    name="sum",
    algorithm="CRC-32/ISO-HDLC",
    covers=(Span(0x20, 0x33),),
    stored=Span(0x60, 0x64),
    byte_order="big",
    when_blanked=WhenBlanked.REFRESH,
)


def image_with(vin: bytes, *, keys: int = 1, counter: int = 5, right: bool = True) -> Image:
    data = bytearray(b"\xff" * 256)
    data[0x20:0x31] = vin
    data[0x31:0x33] = counter.to_bytes(2, "big")
    data[0x40:0x50] = bytes([keys]) * 16
    value = zlib.crc32(data[0x20:0x33]) ^ (0 if right else 1)
    data[0x60:0x64] = value.to_bytes(4, "big")
    return Image.from_bytes(bytes(data))


@settings(deadline=None)
@given(PIECES, PIECES)
def test_runs_and_spans_agree_with_a_comparison_byte_by_byte(
    one: list[tuple[int, bytes]], two: list[tuple[int, bytes]]
) -> None:
    cells_a, cells_b = (
        {address + place: byte for address, data in pieces for place, byte in enumerate(data)}
        for pieces in (one, two)
    )
    found = compare_images(Image.from_pieces(one), Image.from_pieces(two))
    differing = {
        address for address in cells_a.keys() & cells_b if cells_a[address] != cells_b[address]
    }
    assert found.differing_bytes == len(differing)
    assert found.equal_bytes == len(cells_a.keys() & cells_b.keys()) - len(differing)
    assert found.equal is (cells_a == cells_b)
    assert cells_of(found.only_in_a) == cells_a.keys() - cells_b.keys()
    assert cells_of(found.only_in_b) == cells_b.keys() - cells_a.keys()
    assert cells_of(run.span for run in found.runs) == differing
    for run in found.runs:
        addresses = range(run.span.start, run.span.end)
        assert run.a == bytes(cells_a[address] for address in addresses)
        assert run.b == bytes(cells_b[address] for address in addresses)
        assert run.span.end not in differing
        assert (run.region, run.kind) == (None, None)


def cells_of(spans: Iterable[Span]) -> set[int]:
    return {address for span in spans for address in range(span.start, span.end)}


def test_equal_images_of_one_content_are_equal() -> None:
    found = compare_images(image_with(VIN_A), image_with(VIN_A))
    assert found.equal
    assert (tuple(found.runs), found.moved, found.fields) == ((), (), ())
    assert found.equal_bytes == 256


def test_same_bytes_at_another_address_are_not_equal() -> None:
    found = compare_images(Image.from_bytes(VIN_A), Image.from_bytes(VIN_A, base=0x100))
    assert not found.equal
    assert found.differing_bytes == 0
    assert found.only_in_a == (Span(0, 17),)
    assert found.only_in_b == (Span(0x100, 0x111),)
    assert [(block.a_start, block.b_start) for block in found.moved] == [(0, 0x100)]


def test_images_without_bytes_are_equal() -> None:
    assert compare_images(Image(()), Image(())).equal


def test_run_is_cut_at_the_border_of_regions() -> None:
    a = Image.from_bytes(bytes(256))
    b = a.with_bytes([(0x1E, b"\x01" * 0x28)])
    found = compare_images(a, b, layout=layout_of(VIN, COUNTER, KEYS))
    assert [(run.span, run.region, run.kind) for run in found.runs] == [
        (Span(0x1E, 0x20), None, None),
        (Span(0x20, 0x31), "VIN", RegionKind.VEHICLE_IDENTITY),
        (Span(0x31, 0x33), "counter", RegionKind.STATE),
        (Span(0x33, 0x40), None, None),
        (Span(0x40, 0x46), "keys", RegionKind.PROTECTED),
    ]
    assert found.differing_bytes == 0x28


@settings(deadline=None)
@given(st.binary(min_size=256, max_size=256), st.sets(st.integers(0, 255), max_size=40))
def test_runs_with_a_layout_are_the_differing_bytes_and_lie_in_one_region(
    data: bytes, places: set[int]
) -> None:
    a = Image.from_bytes(data)
    b = a.with_bytes([(place, bytes([data[place] ^ 0x01])) for place in places])
    layout = layout_of(VIN, COUNTER, KEYS, checksums=(SUM,))
    found = compare_images(a, b, layout=layout)
    assert cells_of(run.span for run in found.runs) == places
    assert sum(len(run.span) for run in found.runs) == found.differing_bytes == len(places)
    for run in found.runs:
        names = {
            None if (region := layout.region_at(address)) is None else region.name
            for address in range(run.span.start, run.span.end)
        }
        assert names == {run.region}


def test_bytes_of_protected_regions_are_not_handed_out() -> None:
    a, b = image_with(VIN_A, keys=0x5A), image_with(VIN_A, keys=0xA5)
    found = compare_images(a, b, layout=layout_of(VIN, KEYS))
    (run,) = found.runs
    assert (run.span, run.kind) == (Span(0x40, 0x50), RegionKind.PROTECTED)
    assert (run.a, run.b) == (None, None)
    (field,) = found.fields
    assert (field.a.value, field.b.value) == (None, None)
    assert field.a.state is FieldState.PROTECTED
    assert "5a5a" not in repr(found).lower()
    assert "ZZ" not in repr(found)


def test_fields_that_differ_are_decoded_by_name() -> None:
    a, b = image_with(VIN_A, counter=5), image_with(VIN_B, counter=0x1234)
    found = compare_images(a, b, layout=layout_of(VIN, COUNTER, KEYS))
    assert [(field.name, field.a.value, field.b.value) for field in found.fields] == [
        ("VIN", VIN_A.decode(), VIN_B.decode()),
        ("counter", 5, 0x1234),
    ]


def test_field_that_one_image_does_not_define_is_listed_only_if_bytes_differ() -> None:
    a = image_with(VIN_A)
    b = image_with(VIN_B).select([Span(0, 0x28)])
    (field,) = compare_images(a, b, layout=layout_of(VIN, COUNTER)).fields
    assert (field.name, field.b.state) == ("VIN", FieldState.UNDEFINED)


# Whether one layout holds for both.


def verdict_of(
    a: Image, b: Image, layout: Layout | None = None, chip: str | None = None
) -> tuple[Verdict, str]:
    found: Difference = compare_images(
        a, b, layout=layout, chip=None if chip is None else find_chip(chip)
    )
    return found.same_layout.result, found.same_layout.reason


def test_without_layout_and_with_equal_addresses_nothing_can_tell() -> None:
    result, reason = verdict_of(image_with(VIN_A), image_with(VIN_B))
    assert result is Verdict.NOT_CHECKED
    assert "No layout was given" in reason


def test_without_layout_different_sizes_speak_against_one_layout() -> None:
    result, reason = verdict_of(Image.from_bytes(bytes(256)), Image.from_bytes(bytes(512)))
    assert result is Verdict.FAIL
    assert "0x0000-0x01FF (512 bytes)" in reason


def test_checksums_and_texts_of_both_speak_for_the_layout() -> None:
    layout = layout_of(VIN, COUNTER, checksums=(SUM,))
    result, reason = verdict_of(image_with(VIN_A), image_with(VIN_B), layout)
    assert result is Verdict.PASS
    assert reason.count("1 of 1 checksums right") == 2


def test_image_without_any_right_checksum_speaks_against_the_layout() -> None:
    layout = layout_of(VIN, COUNTER, checksums=(SUM,))
    result, reason = verdict_of(image_with(VIN_A), image_with(VIN_B, right=False), layout)
    assert result is Verdict.FAIL
    assert reason == "B holds none of the layout's checksums."


def test_image_of_another_size_speaks_against_the_layout() -> None:
    layout = layout_of(VIN, checksums=(SUM,))
    result, reason = verdict_of(Image.from_bytes(bytes(512)), image_with(VIN_B), layout)
    assert result is Verdict.FAIL
    assert reason.startswith("A does not define exactly the layout's 0x0000-0x00FF (256 bytes)")


def test_another_chip_speaks_against_the_layout() -> None:
    layout = layout_of(VIN, checksums=(SUM,))
    result, reason = verdict_of(image_with(VIN_A), image_with(VIN_B), layout, chip="24C16")
    assert result is Verdict.FAIL
    assert "another chip" in reason


def test_blank_image_says_nothing_about_the_layout() -> None:
    layout = layout_of(VIN, COUNTER, checksums=(SUM,))
    blank = Image.from_bytes(b"\xff" * 256)
    result, reason = verdict_of(image_with(VIN_A), blank, layout)
    assert result is Verdict.NOT_CHECKED
    assert "no checksum and no text in B" in reason


def test_layout_without_checksums_is_told_by_its_texts() -> None:
    result, _ = verdict_of(image_with(VIN_A), image_with(VIN_B), layout_of(VIN, COUNTER))
    assert result is Verdict.PASS
    result, _ = verdict_of(image_with(VIN_A), image_with(VIN_B), layout_of(COUNTER))
    assert result is Verdict.NOT_CHECKED
