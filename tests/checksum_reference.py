"""A second way to every checksum: slow loops, one bit or byte at a time, without memtool.

The CRC loop is the bit-by-bit algorithm of R. Williams, "A Painless Guide to CRC Error
Detection Algorithms", sections 7 and 15, with reflection done by reversing bit lists. The
sums are the sentences of their definitions.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Crc:
    """Parameters of one CRC, in the catalogue's terms."""

    width: int
    poly: int
    init: int
    refin: bool
    refout: bool
    xorout: int


def bits_of(byte: int) -> list[int]:
    """The bits of a byte, high bit first."""
    return [(byte >> place) & 1 for place in (7, 6, 5, 4, 3, 2, 1, 0)]


def number_of(bits: list[int]) -> int:
    """The number that bits make, high bit first."""
    number = 0
    for bit in bits:
        number = 2 * number + bit
    return number


def crc_value(crc: Crc, data: bytes) -> int:
    """Shift the message through the register, bit by bit."""
    register = [(crc.init >> place) & 1 for place in range(crc.width - 1, -1, -1)]
    taps = [(crc.poly >> place) & 1 for place in range(crc.width - 1, -1, -1)]
    for byte in data:
        bits = bits_of(byte)
        for bit in reversed(bits) if crc.refin else bits:
            out = register[0] ^ bit
            register = [*register[1:], 0]
            if out:
                register = [a ^ b for a, b in zip(register, taps, strict=True)]
    return number_of(register[::-1] if crc.refout else register) ^ crc.xorout


def plain_sum(name: str, data: bytes) -> int:
    """The sum that a name without ending stands for."""
    if name == "XOR-8":
        value = 0
        for byte in data:
            value ^= byte
        return value
    if name in ("XOR-16-BE", "XOR-16-LE"):
        high = low = 0
        for place in range(0, len(data), 2):
            high ^= data[place]
            low ^= data[place + 1]
        return 256 * high + low if name == "XOR-16-BE" else 256 * low + high
    if name == "FLETCHER-16":
        low = high = 0
        for byte in data:
            low = (low + byte) % 255
            high = (high + low) % 255
        return 256 * high + low
    if name == "FLETCHER-32":
        low = high = 0
        padded = data + bytes(len(data) % 2)
        for place in range(0, len(padded), 2):
            low = (low + padded[place] + 256 * padded[place + 1]) % 65535
            high = (high + low) % 65535
        return 65536 * high + low
    if name == "ADLER-32":
        low, high = 1, 0
        for byte in data:
            low = (low + byte) % 65521
            high = (high + low) % 65521
        return 65536 * high + low
    total = 0
    if name.startswith("SUM-"):
        for byte in data:
            total += byte
        return total % (1 << int(name.removeprefix("SUM-")))
    _, width, order = name.split("-")
    for place in range(0, len(data), 2):
        first, second = data[place], data[place + 1]
        total += 256 * first + second if order == "BE" else 256 * second + first
    return total % (1 << int(width))


def width_of(name: str) -> int:
    """Bits of a sum's value."""
    return int(name.split("/")[0].split("-")[1])


def sum_value(name: str, data: bytes, total: int = 0) -> int:
    """What is stored for a sum of any ending."""
    plain, _, ending = name.partition("/")
    value, modulus = plain_sum(plain, data), 1 << width_of(name)
    if ending == "ONES":
        return modulus - 1 - value
    if ending == "TWOS":
        return (modulus - value) % modulus
    if ending == "TOTAL":
        return (total - value) % modulus
    return value


SUM_NAMES = tuple(
    f"{plain}{ending}"
    for plain in (
        *("SUM-8", "SUM-16", "SUM-32"),
        *("WORDSUM-16-BE", "WORDSUM-16-LE", "WORDSUM-32-BE", "WORDSUM-32-LE"),
    )
    for ending in ("", "/ONES", "/TWOS", "/TOTAL")
)
XOR_NAMES = ("XOR-8", "XOR-16-BE", "XOR-16-LE")
OTHER_NAMES = ("FLETCHER-16", "FLETCHER-32", "ADLER-32")
