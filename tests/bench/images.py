"""Images of invented modules for every benchmark: six kinds, any size, without memtool.

- ``random``: every byte of every module by chance.
- ``structured``: erased for the most part, a quarter equal code, a VIN with a CRC-16, 128
  bytes of data with a CRC-32, a serial and 32 settings of one byte that differ.
- ``erased``: nothing but a hundredth is written, in a few places, and differs.
- ``text``: part numbers, dates and messages, with a few words of each module's own.
- ``code``: bytes that follow each other as often as in machine code: that of the Python which
  runs the benchmark stands for a firmware's. Each module has its own.
- ``six``: six structured modules, where the others have as many as are asked for.

The same kind, size and seed give the same images, but for ``code`` with another Python.
"""

from __future__ import annotations

import random
import sys
import zlib
from bisect import bisect
from functools import cache
from itertools import accumulate, pairwise
from pathlib import Path

KINDS = ("random", "structured", "erased", "text", "code", "six")
SIZES = (512, 4096, 1 << 16, 1 << 20)
LARGEST = 1 << 24
"""For readers and for comparing."""
_VIN = b"1G4AH59H45G1%05d"
_WORDS = b"ERROR RELAY DOOR LAMP LEFT RIGHT OPEN CLOSED MOTOR SPEED SENSOR NOT READY".split()


def make_images(kind: str, size: int, modules: int = 3, seed: int = 0) -> list[bytes]:
    """The memories of some modules of one family.

    Args:
        kind: One of `KINDS`.
        size: Bytes of each, 512 at least.
        modules: How many; ``six`` always has six.
        seed: Another one is another family.

    Raises:
        ValueError: no such kind, or too small.
    """
    if size < 512:
        raise ValueError(f"{size} bytes are too few")
    source = random.Random(f"{kind} {size} {seed}")
    if kind == "random":
        return [source.randbytes(size) for _ in range(modules)]
    if kind in ("structured", "six"):
        code = _code(source, size // 4)
        count = 6 if kind == "six" else modules
        return [_structured(source, size, code, number) for number in range(count)]
    if kind == "erased":
        return _erased(source, size, modules)
    if kind == "text":
        return _texts(source, size, modules)
    if kind == "code":
        return [_code(source, size) for _ in range(modules)]
    raise ValueError(f"no kind of image is called {kind!r}")


def _structured(source: random.Random, size: int, code: bytes, number: int) -> bytes:
    image = bytearray(b"\xff" * size)
    image[size // 2 : size // 2 + len(code)] = code
    vin = _VIN % source.randrange(100_000)
    image[0x20:0x31] = vin
    image[0x31:0x33] = crc_16(vin).to_bytes(2, "big")
    data = source.randbytes(128)
    image[0x80:0x100] = data
    image[0x100:0x104] = zlib.crc32(data).to_bytes(4, "little")
    image[0x110:0x118] = b"SN%06d" % source.randrange(1_000_000)
    step = (size // 4 - 0x40) // 32 if size > 2048 else 1
    first = size // 4 if size > 2048 else 0x140
    for place in range(32):
        image[first + step * place] = source.randrange(8)
    return bytes(image)


def crc_16(data: bytes) -> int:
    """CRC-16/IBM-3740 bit by bit: polynomial 1021, start FFFF (catalogue of G. Cook)."""
    register = 0xFFFF
    for byte in data:
        register ^= byte << 8
        for _ in range(8):
            register = register << 1 ^ (0x1021 if register & 0x8000 else 0)
            register &= 0xFFFF
    return register


def _erased(source: random.Random, size: int, modules: int) -> list[bytes]:
    pieces = max(1, size // 6400)
    length = size // 100 // pieces
    places = [source.randrange(size // 16 * 15) & ~15 for _ in range(pieces)]
    images = []
    for _ in range(modules):
        image = bytearray(b"\xff" * size)
        for place in places:
            image[place : place + length] = source.randbytes(length)
        images.append(bytes(image))
    return images


def _texts(source: random.Random, size: int, modules: int) -> list[bytes]:
    common: list[bytes] = []
    length = 0
    while length < size:
        piece = b" ".join(source.choices(_WORDS, k=6)) + b" %05d\0" % source.randrange(100_000)
        common.append(piece)
        length += len(piece)
    images = []
    for _ in range(modules):
        own = [
            piece if source.random() < 0.9 else piece[:-6] + b"%05d\0" % source.randrange(100_000)
            for piece in common
        ]
        images.append(b"".join(own)[:size])
    return images


def _code(source: random.Random, size: int) -> bytes:
    table = _followers()
    found = bytearray(size)
    byte = 0
    for place, number in enumerate(source.choices(range(1 << 16), k=size)):
        followers, weights = table[byte]
        byte = followers[bisect(weights, number % weights[-1])]
        found[place] = byte
    return bytes(found)


@cache
def _followers() -> list[tuple[bytes, list[int]]]:
    """For each byte those that follow it in machine code, and how often, added up."""
    program = Path(sys.executable).resolve().read_bytes()
    middle = len(program) // 3
    code = program[middle : middle + (1 << 16)]
    counts = [[0] * 256 for _ in range(256)]
    for one, other in pairwise(code):
        counts[one][other] += 1
    table = []
    for row in counts:
        followers = bytes(byte for byte in range(256) if row[byte]) or b"\0"
        table.append((followers, list(accumulate(row[byte] or 1 for byte in followers))))
    return table
