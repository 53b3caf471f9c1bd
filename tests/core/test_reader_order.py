"""Files in the order of a reader, by Python's own `array` module and plain loops."""

from __future__ import annotations

import array

import pytest
from hypothesis import given
from hypothesis import strategies as st

from memtool.core.health.reader_orders import find_order_by_content, find_order_sign
from memtool.core.image import Image
from memtool.core.read_options import ImageFormat, ReadOptions
from memtool.core.reader_order import READER_ORDERS, fits, parse_reader_order, turn
from memtool.errors import ImageFormatError
from memtool.formats.codec import encode_image, parse_as
from tests.build import VEHICLE_VIN, module_memory
from tests.readers import swapped_16, swapped_32

WORDS = st.binary(min_size=4, max_size=64).map(lambda data: data[: len(data) // 4 * 4])
ORDERS = st.sampled_from((*READER_ORDERS, "swapped-16+inverted", "reversed+inverted"))


def image_of(data: bytes, start: int = 0) -> Image:
    return Image.from_pieces([(start, data)])


@given(WORDS, ORDERS)
def test_every_order_is_undone_by_doing_it_again(data: bytes, order: str) -> None:
    image = image_of(data, 0x400)
    try:
        order = parse_reader_order(order)
    except ValueError:
        order = "+".join(reversed(order.split("+")))
    assert turn(turn(image, order), order) == image


@given(WORDS)
def test_words_are_swapped_as_the_array_module_swaps_them(data: bytes) -> None:
    assert turn(image_of(data), "swapped-16") == image_of(swapped_16(data))
    assert turn(image_of(data), "swapped-32") == image_of(swapped_32(data))
    assert turn(image_of(data), "inverted") == image_of(bytes(byte ^ 0xFF for byte in data))
    assert turn(image_of(data), "reversed") == image_of(data[::-1])
    assert turn(image_of(data), "plain") == image_of(data)


@given(WORDS, st.sampled_from(READER_ORDERS), st.sampled_from(list(ImageFormat)))
def test_what_is_written_in_an_order_reads_back_in_it(
    data: bytes, order: str, format: ImageFormat
) -> None:
    image = image_of(data)
    file = encode_image(image, format, order=order)
    assert parse_as(file, ReadOptions(format=format, order=order)).image == image
    assert parse_as(file, ReadOptions(format=format)).image == turn(image, order)


def test_half_a_word_is_in_no_order_of_words() -> None:
    assert not fits(image_of(b"abc"), "swapped-16")
    assert not fits(image_of(b"abcd", 2), "swapped-32")
    with pytest.raises(ImageFormatError) as caught:
        parse_as(b"abc", ReadOptions(format=ImageFormat.RAW, order="swapped-16"))
    assert caught.value.code == "order-does-not-fit"


@pytest.mark.parametrize("name", ["every-2", "xor-5a", "nonsense", "split", "lower-case", ""])
def test_only_whole_orders_that_undo_themselves_are_orders_of_a_reader(name: str) -> None:
    with pytest.raises(
        ValueError, match="is not a reader's byte order; they are plain, swapped-16"
    ):
        parse_reader_order(name)


@pytest.mark.parametrize("turned", [swapped_16, swapped_32])
def test_an_expected_vin_settles_the_order_alone(turned: type[bytes]) -> None:
    name = turned.__name__.replace("_", "-")
    sign = find_order_sign(image_of(turned(module_memory(VEHICLE_VIN))), vin_texts=(VEHICLE_VIN,))
    assert sign is not None
    assert (sign.order, sign.is_certain) == (name, True)


def test_a_file_without_texts_tells_no_order() -> None:
    noise = bytes((value * 97 + value * value * 31) & 0xFF for value in range(256))
    assert find_order_sign(image_of(noise)) is None
    assert find_order_sign(image_of(b"\xff" * 256)) is None


def test_the_same_content_in_another_order_is_known_by_the_other_file() -> None:
    content = module_memory()
    worn = bytearray(swapped_16(content))
    worn[0x41] ^= 1
    known = image_of(content)
    assert find_order_by_content(image_of(bytes(worn)), known, expected="plain") == "swapped-16"
    assert find_order_by_content(known, known, expected="plain") is None
    assert find_order_by_content(known, known, expected="swapped-16") == "plain"
    other = image_of(module_memory(VEHICLE_VIN, secret=bytes(16), options=bytes(16)))
    assert find_order_by_content(other, known, expected="plain") is None
    assert find_order_by_content(image_of(content[:128]), known, expected="plain") is None


def test_the_array_module_is_the_reference() -> None:
    words = array.array("H", b"\x01\x02\x03\x04")
    words.byteswap()
    assert words.tobytes() == swapped_16(b"\x01\x02\x03\x04") == b"\x02\x01\x04\x03"
