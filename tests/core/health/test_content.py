"""What is in a read: texts, fill, repeats."""

from __future__ import annotations

import random

import pytest

from memtool.core.finding import Finding
from memtool.core.health import find_health
from memtool.core.health.content import TextKind, compute_entropy_strip, find_texts
from memtool.core.image import Image
from memtool.core.layouts.layout import Layout, ModuleKind
from memtool.core.layouts.region import Region, RegionKind
from memtool.core.span import Span


def told(data: bytes, code: str) -> Finding:
    return next(f for f in find_health(Image.from_bytes(data)) if f.code == code)


def test_texts_are_found_with_their_kind_and_place() -> None:
    data = b"\xff" * 16 + b"4711-0815-A\x00\xff\xff2019-04-27\xff\xff\xffDoor controller\x01"
    found = find_texts(Image.from_bytes(data, base=0x100))
    assert [(text.text, text.kind, text.span.start) for text in found] == [
        ("4711-0815-A", TextKind.PART_NUMBER, 0x110),
        ("2019-04-27", TextKind.DATE, 0x11E),
        ("Door controller", TextKind.TEXT, 0x12B),
    ]


def test_texts_of_protected_regions_are_not_shown() -> None:
    layout = Layout(
        name="bench",
        chip="24C01",
        size=128,
        module=ModuleKind.BODY,
        regions=(Region(name="keys", span=Span(0x10, 0x30), kind=RegionKind.PROTECTED),),
    )
    data = bytearray(b"\xff" * 128)
    data[0x10:0x1A] = b"SECRETKEY1"
    data[0x40:0x4A] = b"PUBLIC9999"
    image = Image.from_bytes(bytes(data))
    assert [text.text for text in find_texts(image, layout)] == ["PUBLIC9999"]
    assert all("SECRET" not in f.text for f in find_health(image, layout=layout))


def test_a_vin_is_counted_and_not_shown() -> None:
    # 49 CFR 565.15 Table VI example.
    data = b"\xff" * 32 + b"1G4AH59H45G118341" + b"\xff" * 32
    finding = told(data, "content-texts")
    assert "1G4AH" not in finding.text
    assert finding.spans == (Span(32, 49),)
    finding = told(data + b"4711-0815-A" + b"\xff" * 36, "content-texts")
    assert "1G4AH" not in finding.text
    assert "4711-0815-A" in finding.text


def test_tables_that_creep_through_letters_are_no_text() -> None:
    assert find_texts(Image.from_bytes(b"\x01ABCDEFFEDCBA@AABBCC\x01")) == ()


def test_entropy_is_that_of_known_distributions() -> None:
    # Shannon: log2 of the number of equally frequent values.
    data = b"\xff" * 256 + bytes([1, 2]) * 128 + bytes(range(256))
    assert compute_entropy_strip(Image.from_bytes(data), cells=3) == pytest.approx((0, 1, 8))


def test_entropy_of_fewer_bytes_than_cells_has_a_cell_a_byte() -> None:
    assert compute_entropy_strip(Image.from_bytes(b"abc"), cells=8) == (0, 0, 0)
    assert compute_entropy_strip(Image.from_bytes(b"")) == ()
    with pytest.raises(ValueError, match="0 cells"):
        compute_entropy_strip(Image.from_bytes(b"abc"), cells=0)


def test_the_fill_and_the_strip_are_told() -> None:
    text = told(b"\xff" * 1536 + random.Random(1).randbytes(512), "content-fill").text
    assert "75 % of the bytes are FF" in text
    assert "_" * 24 in text


def test_copies_are_told_with_their_distance() -> None:
    drawn = random.Random(1)
    block = drawn.randbytes(200)
    data = bytearray(b"\xff" * 2048)
    data[0x100 : 0x100 + 200] = data[0x500 : 0x500 + 200] = block
    finding = told(bytes(data), "content-copies")
    assert "1,024 addresses further on" in finding.text
    assert finding.spans[0].start <= 0x100
    assert finding.spans[-1].end >= 0x100 + 200


def test_the_place_where_copies_disagree_is_told() -> None:
    block = random.Random(1).randbytes(200)
    data = bytearray(b"\xff" * 2048)
    data[0x100 : 0x100 + 200] = data[0x500 : 0x500 + 200] = block
    data[0x550] ^= 0x01
    finding = told(bytes(data), "content-copies-disagree")
    assert finding.spans == (Span(0x150, 0x151),)


@pytest.mark.parametrize("number", [1, 2, 3])
def test_of_three_copies_the_odd_one_is_named(number: int) -> None:
    block = random.Random(1).randbytes(200)
    data = bytearray(b"\xff" * 2048)
    for start in (0x100, 0x300, 0x500):
        data[start : start + 200] = block
    data[0x100 + 0x200 * (number - 1) + 0x50] ^= 0x01
    finding = told(bytes(data), "content-copies-disagree")
    assert f"copy {number} differs from the others" in finding.text
