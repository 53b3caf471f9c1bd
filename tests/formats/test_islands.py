"""A file whose bytes lie in very many pieces is refused with a sentence, at once."""

from __future__ import annotations

import pytest

from memtool.errors import ImageFormatError
from memtool.formats import placing
from memtool.formats.codec import parse_image

END = ":00000001FF"


def record(address: int, data: bytes) -> str:
    body = bytes([len(data), *address.to_bytes(2, "big"), 0]) + data
    return f":{(body + bytes([-sum(body) & 0xFF])).hex().upper()}"


def file_of(addresses: list[int]) -> bytes:
    return "\n".join([*(record(address, b"\xa5") for address in addresses), END, ""]).encode()


def test_the_first_island_too_many_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(placing, "MOST_ISLANDS", 50)
    apart = [8 * number for number in range(51)]
    with pytest.raises(ImageFormatError) as caught:
        parse_image(file_of(apart))
    assert caught.value.code == "too-many-islands"
    assert (caught.value.line, caught.value.address) == (51, 400)
    assert "51 pieces" in caught.value.message
    assert len(parse_image(file_of(apart[:50])).image.segments) == 50


def test_records_that_join_are_one_island_in_any_order(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(placing, "MOST_ISLANDS", 50)
    backwards = file_of(list(range(200, 0, -1)))
    assert len(parse_image(backwards).image.segments) == 1
