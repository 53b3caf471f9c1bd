"""The checksum of page headers is found, and none where headers carry none."""

from __future__ import annotations

import random
import zlib

import pytest
from crccheck.crc import Crc16Xmodem

from memtool.core.image import Image
from memtool.core.records.finding import find_stores
from memtool.core.records.finding.header_sums import find_header_sum
from memtool.core.span import Span
from memtool.demo.tailgate_flash import used_module
from tests.stores import nvs

# CRC-16/XMODEM of crccheck, CRC-32 of zlib (ISO-HDLC): neither is the code under test.


def headers(count: int, seed: int) -> list[bytes]:
    own = random.Random(seed)
    return [b"PG" + number.to_bytes(2, "little") + own.randbytes(4) for number in range(count)]


def test_crc_at_the_end_of_a_header_is_found() -> None:
    made = [each + Crc16Xmodem.calc(each).to_bytes(2, "big") for each in headers(3, 1)]
    found = find_header_sum(made)
    assert found is not None
    assert (found.algorithm, found.covers, found.at) == ("CRC-16/XMODEM", (Span(0, 8),), 8)


def test_crc_in_front_that_leaves_a_mark_out_is_found() -> None:
    made = [
        bytes([0xFE, *zlib.crc32(each).to_bytes(4, "little")])[:1]
        + b"\xff" * 3
        + zlib.crc32(each).to_bytes(4, "little")
        + each
        for each in headers(2, 2)
    ]
    found = find_header_sum(made)
    assert found is not None
    assert (found.covers, found.at, found.size) == ((Span(8, 16),), 4, 4)


@pytest.mark.parametrize("seed", range(6))
def test_random_headers_carry_none(seed: int) -> None:
    assert find_header_sum([random.Random(f"{seed} {n}").randbytes(16) for n in range(3)]) is None


def test_two_headers_of_sixteen_bits_prove_nothing() -> None:
    made = [each + Crc16Xmodem.calc(each).to_bytes(2, "big") for each in headers(2, 3)]
    assert find_header_sum(made) is None


def test_store_that_is_found_has_its_headers_checksum() -> None:
    image = used_module(
        "h", vin="8Z9TG3C04JP018342", serial="MC44", equipment=b"\x01", keys=bytes(16), days=150
    )
    (found,) = find_stores([Image.from_bytes(image)])
    page = found.store.rules.page
    assert page is not None
    assert page.checksum is not None
    assert page.sequence is not None
    assert (page.sequence.at, page.sequence.size) == (4, 2)
    assert (page.checksum.algorithm, page.checksum.at) == ("CRC-32/ISO-HDLC", 12)
    assert all(each.checksum is None or each.checksum.holds for each in found.store.pages)


def test_published_formats_headers_have_their_checksum() -> None:
    images = [nvs.module_image([vin], seed=seed, family=3) for seed, vin in enumerate(_VINS)]
    (found,) = find_stores([Image.from_bytes(image) for image in images])
    page = found.store.rules.page
    assert page is not None
    assert page.checksum is not None
    # As the format's maker publishes it: bytes 4 to 27, stored at 28.
    assert (page.checksum.covers, page.checksum.at) == ((Span(4, 28),), 28)


_VINS = ("1M8GDM9AXKP042788", "1G4AH59H45G118341", "1M8GDM9A1KP571934")
