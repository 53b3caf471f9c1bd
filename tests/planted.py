"""Images with a checksum planted by an independent library. Imports nothing of memtool.

CRCs come from crccheck (MIT), which holds G. Cook's catalogue under its published names.
Sums, XOR and Fletcher are slow, obvious loops; Adler is the standard library's.
"""

from __future__ import annotations

import random
import zlib
from collections.abc import Callable
from typing import Literal

from crccheck.crc import ALLCRCCLASSES

Order = Literal["big", "little"]

CRC_BY_NAME = {name: one for one in ALLCRCCLASSES for name in one._names}
WHOLE_BYTE_CRCS = tuple(one._names[0] for one in ALLCRCCLASSES if one._width in (8, 16, 24, 32, 64))


def crc(name: str, data: bytes) -> int:
    """The CRC with this catalogue name."""
    return int(CRC_BY_NAME[name].calc(data))


def bitwise_crc(width: int, poly: int, init: int, reflected: bool, xorout: int, data: bytes) -> int:
    """A CRC of any parameters, bit by bit, as in R. Williams' guide, chapters 8 and 15."""
    mask = (1 << width) - 1
    register = init
    for byte in data:
        bits = f"{byte:08b}"
        for bit in bits[::-1] if reflected else bits:
            top = register >> (width - 1) ^ int(bit)
            register = (register << 1 & mask) ^ (poly if top else 0)
    if reflected:
        register = int(f"{register:0{width}b}"[::-1], 2)
    return register ^ xorout


def crc_width(name: str) -> int:
    """Its bits."""
    return int(CRC_BY_NAME[name]._width)


def _words(data: bytes, order: Order) -> list[int]:
    return [int.from_bytes(data[at : at + 2], order) for at in range(0, len(data), 2)]


def _xor(data: bytes) -> int:
    value = 0
    for byte in data:
        value ^= byte
    return value


def _fletcher(elements: list[int], modulus: int, half: int) -> int:
    one = two = 0
    for element in elements:
        one = (one + element) % modulus
        two = (two + one) % modulus
    return two << half | one


SUMS: dict[str, tuple[int, Callable[[bytes], int]]] = {
    "SUM-8": (8, lambda data: sum(data)),
    "SUM-8/ONES": (8, lambda data: ~sum(data)),
    "SUM-8/TWOS": (8, lambda data: -sum(data)),
    "SUM-16": (16, lambda data: sum(data)),
    "SUM-16/ONES": (16, lambda data: ~sum(data)),
    "SUM-16/TWOS": (16, lambda data: -sum(data)),
    "SUM-32": (32, lambda data: sum(data)),
    "SUM-32/TWOS": (32, lambda data: -sum(data)),
    "WORDSUM-16-BE": (16, lambda data: sum(_words(data, "big"))),
    "WORDSUM-16-LE/ONES": (16, lambda data: ~sum(_words(data, "little"))),
    "WORDSUM-16-LE/TWOS": (16, lambda data: -sum(_words(data, "little"))),
    "WORDSUM-32-BE": (32, lambda data: sum(_words(data, "big"))),
    "WORDSUM-32-LE/TWOS": (32, lambda data: -sum(_words(data, "little"))),
    "XOR-8": (8, _xor),
    "XOR-16-BE": (16, lambda data: _xor(data[::2]) << 8 | _xor(data[1::2])),
    "XOR-16-LE": (16, lambda data: _xor(data[1::2]) << 8 | _xor(data[::2])),
    "FLETCHER-16": (16, lambda data: _fletcher(list(data), 255, 8)),
    "FLETCHER-32": (32, lambda data: _fletcher(_words(data, "little"), 65535, 16)),
    "ADLER-32": (32, zlib.adler32),
}
"""Name: bits, value before it is cut to them. `_words` pads an odd block with nothing: in
``little`` order that is the zero byte that Fletcher-32 wants."""


def value_of(name: str, data: bytes) -> tuple[int, int]:
    """Bytes of the field, and the number to store."""
    if name in SUMS:
        width, compute = SUMS[name]
        return width // 8, compute(data) & (1 << width) - 1
    return crc_width(name) // 8, crc(name, data)


def plant(image: bytearray, name: str, start: int, end: int, order: Order, at: int) -> None:
    """Store the checksum of ``[start, end)`` at `at`."""
    length, value = value_of(name, bytes(image[start:end]))
    image[at : at + length] = value.to_bytes(length, order)


Texture = Literal["random", "half-erased", "half-zero", "text", "near-identical"]
TEXTURES: tuple[Texture, ...] = ("random", "half-erased", "half-zero", "text", "near-identical")


def textured(texture: Texture, size: int, count: int, source: random.Random) -> list[bytearray]:
    """Images of one layout; all but near-identical ones differ in nearly every used byte."""
    if texture == "near-identical":
        first = bytearray(source.randbytes(size))
        images = [bytearray(first) for _ in range(count)]
        for image in images:
            for _ in range(6):
                at = source.randrange(size - 8)
                image[at : at + 8] = source.randbytes(8)
        return images
    if texture == "text":
        letters = b"ABCDEFGHJKLMNPRSTUVWXYZ0123456789  "
        return [bytearray(source.choices(letters, k=size)) for _ in range(count)]
    images = [bytearray(source.randbytes(size)) for _ in range(count)]
    if texture != "random":
        fill = b"\xff" if texture == "half-erased" else b"\x00"
        begin = source.randrange(size // 2)
        for image in images:
            image[begin : begin + size // 2] = fill * (size // 2)
    return images
