"""CRCs with start value and final XOR of their own: what two or more images tell, no more."""

from __future__ import annotations

import random

import pytest

from memtool.core.discovery import DiscoveredBlock, Wish, discover_checksums, searched_algorithms
from memtool.core.image import Image
from memtool.core.span import Span
from tests.planted import CRC_BY_NAME, bitwise_crc

WISH = Wish(
    algorithms=tuple(item for item in searched_algorithms() if item.crc is not None),
    fixed_places=False,
)


def test_the_bitwise_crc_of_these_tests_agrees_with_the_catalogue() -> None:
    for name in ("CRC-16/IBM-3740", "CRC-16/ISO-IEC-14443-3-A", "CRC-32/ISO-HDLC", "CRC-24/BLE"):
        one = CRC_BY_NAME[name]
        parameters = (one._width, one._poly, one._initvalue, one._reflect_input, one._xor_output)
        assert bitwise_crc(*parameters, b"123456789") == one._check_result


def unknown_rows(images: list[bytearray]) -> list[DiscoveredBlock]:
    found = discover_checksums([Image.from_bytes(bytes(image)) for image in images], wish=WISH)
    return [block for block in found.blocks if block.unknown is not None]


@pytest.mark.parametrize(
    ("width", "poly", "init", "reflected", "xorout", "order"),
    [
        (16, 0x1021, 0x1234, False, 0x0000, "big"),
        (16, 0x1021, 0x0000, False, 0xBEEF, "little"),
        (16, 0x8005, 0xFFFF, False, 0x1D0F, "little"),
        (16, 0x8BB7, 0xA55A, True, 0xFFFF, "little"),
        (32, 0x04C11DB7, 0x12345678, True, 0x00000000, "big"),
        (32, 0xF4ACFB13, 0x00000000, False, 0xCAFEBABE, "little"),
        (24, 0x864CFB, 0x555555, False, 0x000000, "big"),
    ],
)
def test_images_that_differ_in_a_field_give_polynomial_end_and_constant(
    width: int, poly: int, init: int, reflected: bool, xorout: int, order: str
) -> None:
    source = random.Random(width * poly + init)
    first = bytearray(source.randbytes(600))
    images = [bytearray(first) for _ in range(4)]
    length = width // 8
    for image in images:
        image[0x90:0xA1] = source.randbytes(17)
        value = bitwise_crc(width, poly, init, reflected, xorout, bytes(image[0x80:0x100]))
        image[0x100 : 0x100 + length] = value.to_bytes(length, order)  # type: ignore[arg-type]
    row = unknown_rows(images)[0]
    assert row.unknown is not None
    assert (row.unknown.width, row.unknown.poly, row.unknown.reflected) == (width, poly, reflected)
    assert row.field == Span(0x100, 0x100 + length)
    assert (row.block.end, row.byte_order) == (0x100, order)
    assert row.expected_by_chance < 0.01
    # The start is known up to the bytes that all images share, the first differing one included.
    assert 0x80 <= row.block.start <= 0x91
    assert any(0x80 in run for other in row.equivalents for run in other.starts)
    block = bytes(images[0][row.block.start : row.block.end])
    stored = int.from_bytes(images[0][0x100 : 0x100 + length], order)  # type: ignore[arg-type]
    assert row.unknown.constant == stored ^ bitwise_crc(width, poly, 0, reflected, 0, block)
    for start_value, final in row.unknown.pairs:
        assert bitwise_crc(width, poly, start_value, reflected, final, block) == stored
        assert {start_value, final} & {0, (1 << width) - 1}


@pytest.mark.parametrize(
    ("poly", "left"),
    [
        (0x1021, 2),  # (x + 1) divides it, so one bit of the constants stays open.
        (0x755B, 1),  # It does not: an odd number of terms with x^16.
    ],
)
def test_a_second_length_separates_init_and_xorout_where_starts_are_known(
    poly: int, left: int
) -> None:
    source = random.Random(8)
    images = [bytearray(source.randbytes(300)) for _ in range(5)]
    for image in images:
        for start, end in ((20, 90), (120, 201)):
            value = bitwise_crc(16, poly, 0x4321, True, 0x0F0F, bytes(image[start:end]))
            image[end : end + 2] = value.to_bytes(2, "big")
    rows = unknown_rows(images)
    assert {row.block for row in rows} == {Span(20, 90), Span(120, 201)}
    for row in rows:
        assert row.unknown is not None
        assert (0x4321, 0x0F0F) in row.unknown.pairs
        assert len(row.unknown.pairs) == left


def test_catalogued_crc_is_not_called_unknown() -> None:
    source = random.Random(9)
    first = bytearray(source.randbytes(400))
    images = [bytearray(first) for _ in range(4)]
    for image in images:
        image[50:67] = source.randbytes(17)
        value = int(CRC_BY_NAME["CRC-16/IBM-3740"].calc(image[40:100]))
        image[100:102] = value.to_bytes(2, "big")
    assert unknown_rows(images) == []


def test_one_image_says_nothing_about_unknown_constants() -> None:
    image = bytearray(random.Random(10).randbytes(400))
    value = bitwise_crc(16, 0x1021, 0x1234, False, 0x4321, bytes(image[40:100]))
    image[100:102] = value.to_bytes(2, "big")
    assert unknown_rows([image]) == []
