"""How a read is filled, and what stands in it twice."""

from __future__ import annotations

import random

import pytest

from memtool.core.finding import Finding
from memtool.core.health.all_checks import find_health
from memtool.core.health.content import compute_entropy_strip
from memtool.core.image import Image
from memtool.core.span import Span


def told(data: bytes, code: str) -> Finding:
    return next(f for f in find_health(Image.from_bytes(data)) if f.code == code)


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
    assert "1,024 bytes later" in finding.text
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
