"""Faults of reads, acted out on healthy images. Never imports memtool.

Each fault says when it leaves evidence *in the bytes*; where it leaves none, nobody can tell
it from one read, and the measurement counts those apart.
"""

from __future__ import annotations

import random
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

from tests.core.health.healthy_images import WORDS

BLANK = (0x00, 0xFF)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One way in which a read goes wrong."""

    name: str
    codes: tuple[str, ...]
    """Findings that name it rightly."""
    act: Callable[[random.Random, bytes], bytes]
    evident: Callable[[bytes, bytes], bool]
    """Whether (healthy, damaged) differ in a way that can be told from the damaged one."""
    evidence: str
    """The same in words, for the table."""
    with_chip: bool = False
    """Whether the person chose the chip; its size is that of the healthy image."""


def filled(data: bytes) -> int:
    return len(data) - data.count(0x00) - data.count(0xFF)


def different_blocks(data: bytes, length: int) -> int:
    """Different blocks of this length with four filled bytes (or all, of short ones)."""
    blocks = {data[i : i + length] for i in range(0, len(data), length)}
    return sum(filled(block) >= min(4, length) for block in blocks)


_WORD = re.compile("|".join(sorted(WORDS, key=len, reverse=True)).encode(), re.IGNORECASE)


def letters(data: bytes) -> int:
    """Letters that belong to the generator's own words."""
    return sum(len(match.group()) for match in _WORD.finditer(data))


def fields(data: bytes) -> int:
    """Texts of 10 to 48 characters alone between 00, FF or blanks."""
    number, start = 0, 0
    for at, byte in enumerate(data + b"\0"):
        if byte in (0x00, 0xFF):
            piece = data[start:at].strip(b" ")
            number += 10 <= len(piece) <= 48 and piece.isascii() and piece.decode().isprintable()
            start = at + 1
    return number


def has_text(data: bytes) -> bool:
    return letters(data) >= 60 or fields(data) >= 6


# --- size and contact -------------------------------------------------------------------


def short(drawn: random.Random, data: bytes) -> bytes:
    return data[: drawn.randrange(1, len(data))]


def long(drawn: random.Random, data: bytes) -> bytes:
    return data + bytes([drawn.choice((0, 0xFF))]) * drawn.randrange(1, 64)


def wrapped(drawn: random.Random, data: bytes) -> bytes:
    return data * drawn.choice((2, 4, 8))


def constant(value: int | None) -> Callable[[random.Random, bytes], bytes]:
    def act(drawn: random.Random, data: bytes) -> bytes:
        return bytes([drawn.randrange(1, 255) if value is None else value]) * len(data)

    return act


def pattern(drawn: random.Random, data: bytes) -> bytes:
    unit = drawn.randbytes(drawn.choice((2, 2, 4, 8, 16)))
    return (unit * len(data))[: len(data)]


# --- wiring -----------------------------------------------------------------------------


def address_line(drawn: random.Random, data: bytes) -> bytes:
    """Any line but the topmost, stuck at 0 or at 1."""
    bit = 1 << drawn.randrange(len(data).bit_length() - 2)
    level = drawn.choice((0, bit))
    return bytes(data[index & ~bit | level] for index in range(len(data)))


def address_evident(_: bytes, damaged: bytes) -> bool:
    bits = len(damaged).bit_length() - 2
    mirrored = [
        bit
        for bit in range(bits)
        if all(damaged[i] == damaged[i ^ (1 << bit)] for i in range(len(damaged)))
    ]
    values = {byte for byte in damaged if byte not in BLANK}
    return (
        bool(mirrored)
        and filled(damaged) >= 16
        and len(values) >= 4
        and different_blocks(damaged, 1 << max(mirrored)) >= 2
    )


def top_line(drawn: random.Random, data: bytes) -> bytes:
    half = len(data) // 2
    return data[:half] * 2 if drawn.random() < 0.5 else data[half:] * 2


def data_stuck(drawn: random.Random, data: bytes) -> bytes:
    bit, level = 1 << drawn.randrange(8), drawn.randrange(2)
    return bytes(byte | bit if level else byte & ~bit for byte in data)


def stuck_evident(healthy: bytes, damaged: bytes) -> bool:
    """Fill of 16 bytes and more was changed, or the content uses all bits widely."""
    changed = {a ^ b for a, b in zip(healthy, damaged, strict=True)} - {0}
    if not changed:
        return False
    bit = changed.pop()
    for fill in (0xFF ^ bit, bit):
        if bytes([fill]) * 16 in damaged:
            return True
    return is_rich(damaged, skip=bit) and not (bit >= 32 and creeps(damaged))


def creeps(data: bytes) -> bool:
    near = total = 0
    for a, b in pairwise(data):
        if b not in BLANK:
            total, near = total + 1, near + (abs(a - b) <= 12)
    return 2 * near > total


def is_rich(data: bytes, skip: int) -> bool:
    """150 filled bytes, 60 values, every other bit both ways in a tenth of them."""
    content = [byte for byte in data if byte not in (*BLANK, 0xFF ^ skip, skip)]
    if len(content) < 150 or len(set(content)) < 60:
        return False
    others = (1 << bit for bit in range(8) if not skip >> bit & 1)
    shares = [sum(bool(byte & other) for byte in content) / len(content) for other in others]
    control = sum(byte < 0x20 for byte in content)
    return all(0.1 <= share <= 0.9 for share in shares) and control >= len(content) / 10


def shorted(drawn: random.Random, data: bytes) -> bytes:
    low, high = (1 << bit for bit in sorted(drawn.sample(range(8), 2)))
    both, any_wins = low | high, drawn.random() < 0.5

    def seen(byte: int) -> int:
        level = bool(byte & both) if any_wins else byte & both == both
        return byte & ~both | (both if level else 0)

    return bytes(seen(byte) for byte in data)


def shorted_evident(healthy: bytes, damaged: bytes) -> bool:
    changed = {a ^ b for a, b in zip(healthy, damaged, strict=True)} - {0}
    mask = 0
    for bits in changed:
        mask |= bits
    content = [byte for byte in damaged if byte not in BLANK]
    ones = sum(bool(byte & mask) for byte in content)
    return (
        mask.bit_count() == 2
        and is_rich(damaged, skip=mask)
        and len(content) >= 150
        and 0.1 <= ones / len(content) <= 0.9
        and not (mask & 0x1F == 0 and creeps(damaged))
    )


def crossed(drawn: random.Random, data: bytes) -> bytes:
    low, high = drawn.sample(range(8), 2)

    def seen(byte: int) -> int:
        a, b = byte >> low & 1, byte >> high & 1
        return byte & ~(1 << low) & ~(1 << high) | a << high | b << low

    return bytes(seen(byte) for byte in data)


# --- order ------------------------------------------------------------------------------


def swapped(width: int) -> Callable[[random.Random, bytes], bytes]:
    def act(_: random.Random, data: bytes) -> bytes:
        return b"".join(data[i : i + width][::-1] for i in range(0, len(data), width))

    return act


def inverted(_: random.Random, data: bytes) -> bytes:
    return bytes(byte ^ 0xFF for byte in data)


def reversed_bits(_: random.Random, data: bytes) -> bytes:
    return bytes(int(f"{byte:08b}"[::-1], 2) for byte in data)


def late_clock(drawn: random.Random, data: bytes) -> bytes:
    """One to seven idle bits before the first."""
    number = drawn.randrange(1, 8)
    bits = int.from_bytes(b"\xff" + data, "big") >> number
    return (bits & (1 << 8 * len(data)) - 1).to_bytes(len(data), "big")


def text_evident(healthy: bytes, damaged: bytes) -> bool:
    """There is text, and the damaged read does not hold as good text itself."""
    return (
        has_text(healthy)
        and 4 * letters(damaged) <= letters(healthy)
        and 4 * fields(damaged) <= fields(healthy)
    )


def words_evident(healthy: bytes, damaged: bytes) -> bool:
    """Swapped words leave texts readable: a padded VIN or many words are needed."""
    return (letters(healthy) >= 400 or text_ends(healthy) >= 8) and healthy != damaged


def text_ends(data: bytes) -> int:
    """Texts of eight characters and more that end at an odd address before two blanks."""
    number, start = 0, 0
    for at, byte in enumerate(data + b"\0"):
        if byte in (0x00, 0xFF):
            piece = data[start:at]
            good = len(piece) >= 8 and piece.isascii() and b" " not in piece
            number += good and at % 2 == 1 and data[at : at + 3] in (b"\0" * 3, b"\xff" * 3)
            start = at + 1
    return number


def words32_evident(healthy: bytes, damaged: bytes) -> bool:
    return letters(healthy) >= 400 and healthy != damaged


# --- transfer ---------------------------------------------------------------------------


def lf_to_crlf(_: random.Random, data: bytes) -> bytes:
    return data.replace(b"\n", b"\r\n")


def cr_dropped(_: random.Random, data: bytes) -> bytes:
    return data.replace(b"\r", b"")


def question_marks(_: random.Random, data: bytes) -> bytes:
    return data.decode("ascii", "replace").encode("ascii", "replace")


def replaced(_: random.Random, data: bytes) -> bytes:
    return data.decode("utf-8", "replace").encode("utf-8")


def two_bytes(_: random.Random, data: bytes) -> bytes:
    return data.decode("latin-1").encode("utf-8")


def cut_at_1a(_: random.Random, data: bytes) -> bytes:
    end = data.find(b"\x1a")
    return data if end < 1 else data[:end]


def eighth_bit(_: random.Random, data: bytes) -> bytes:
    return bytes(byte & 0x7F for byte in data)


def hex_text(drawn: random.Random, data: bytes) -> bytes:
    step = drawn.choice((16, 32))
    lines = (data[i : i + step].hex(" ").upper() for i in range(0, len(data), step))
    return "\r\n".join(lines).encode("ascii") + b"\r\n"


def changed(healthy: bytes, damaged: bytes) -> bool:
    return healthy != damaged


def always(_: bytes, damaged: bytes) -> bool:
    return True


def high_bytes(number: int) -> Callable[[bytes, bytes], bool]:
    return lambda healthy, damaged: sum(byte > 0x7F for byte in healthy) >= number


def line_feeds(healthy: bytes, damaged: bytes) -> bool:
    return healthy.count(b"\n") >= 3 and len(healthy) != len(damaged)


def many_returns(healthy: bytes, damaged: bytes) -> bool:
    counts = Counter(healthy)
    around = [counts[value] for value in (9, 11, 12, 14, 15, 16, 17)]
    return counts[0x0D] >= 6 and sorted(around)[1] >= 5 and healthy != damaged


def question_evident(healthy: bytes, damaged: bytes) -> bool:
    high = sum(byte > 0x7F for byte in healthy)
    return b"?" * 16 in damaged or (high >= 8 and 3 * high >= len(healthy) - healthy.count(0))


def odd_size(healthy: bytes, damaged: bytes) -> bool:
    """The size of the damaged read is one that no memory and no published content has."""
    size = len(damaged)
    power = size & (size - 1) == 0
    and_a_half = size % 3 == 0 and (size // 3) & (size // 3 - 1) == 0
    return size > 0 and not power and not and_a_half and size % 128 != 0


FAULTS = (
    Fault(
        name="cut short, chip chosen",
        codes=("size-short",),
        act=short,
        evident=always,
        evidence="always",
        with_chip=True,
    ),
    Fault(
        name="cut short, chip not known",
        codes=("size-odd", "transfer-cut-at-1a", "transfer-cr-dropped"),
        act=short,
        evident=odd_size,
        evidence="the size is no chip's, no power of two plus a half, not whole 128s",
    ),
    Fault(
        name="bytes added, chip chosen",
        codes=("size-long",),
        act=long,
        evident=always,
        evidence="always",
        with_chip=True,
    ),
    Fault(
        name="several times the chip (wrapped)",
        codes=("size-wrapped",),
        act=wrapped,
        evident=always,
        evidence="always",
        with_chip=True,
    ),
    Fault(name="all FF", codes=("all-ff",), act=constant(0xFF), evident=always, evidence="always"),
    Fault(name="all 00", codes=("all-00",), act=constant(0x00), evident=always, evidence="always"),
    Fault(
        name="one byte repeated",
        codes=("one-byte",),
        act=constant(None),
        evident=always,
        evidence="always",
    ),
    Fault(
        name="short pattern",
        codes=("short-pattern",),
        act=pattern,
        evident=always,
        evidence="always",
    ),
    Fault(
        name="address line stuck, not the topmost",
        codes=("address-line",),
        act=address_line,
        evident=address_evident,
        evidence="two different filled blocks stand beside their equal",
    ),
    Fault(
        name="topmost address line stuck",
        codes=("halves-equal",),
        act=top_line,
        evident=lambda healthy, damaged: (
            filled(damaged) >= 16 and len(set(damaged) - set(BLANK)) >= 4 and healthy != damaged
        ),
        evidence="16 filled bytes, four values; told as information, see below",
    ),
    Fault(
        name="data line stuck at 0 or 1",
        codes=("data-line-stuck", "data-bit-7-lost"),
        act=data_stuck,
        evident=stuck_evident,
        evidence="16 bytes of fill changed, or content that uses all bits widely",
    ),
    Fault(
        name="two data lines shorted",
        codes=("data-lines-shorted", "data-line-stuck", "data-bit-7-lost"),
        act=shorted,
        evident=shorted_evident,
        evidence="content that uses all bits widely",
    ),
    Fault(
        name="two data lines crossed",
        codes=("data-lines-swapped",),
        act=crossed,
        evident=lambda healthy, damaged: letters(healthy) >= 400 and healthy != damaged,
        evidence="400 letters in words",
    ),
    Fault(
        name="16-bit words swapped",
        codes=("order-swapped-16",),
        act=swapped(2),
        evident=words_evident,
        evidence="400 letters in words, or eight texts with padding at an odd end",
    ),
    Fault(
        name="32-bit words swapped",
        codes=("order-swapped-32",),
        act=swapped(4),
        evident=words32_evident,
        evidence="400 letters in words",
    ),
    Fault(
        name="all bits inverted",
        codes=("order-inverted",),
        act=inverted,
        evident=text_evident,
        evidence="60 letters in words, or six texts between padding",
    ),
    Fault(
        name="bit order reversed",
        codes=("order-bits-reversed",),
        act=reversed_bits,
        evident=text_evident,
        evidence="60 letters in words, or six texts between padding",
    ),
    Fault(
        name="late clock, 1 to 7 bits",
        codes=("order-bits-shifted",),
        act=late_clock,
        evident=text_evident,
        evidence="60 letters in words, or six texts between padding",
    ),
    Fault(
        name="LF became CR LF",
        codes=("transfer-lf-to-crlf",),
        act=lf_to_crlf,
        evident=line_feeds,
        evidence="three bytes 0A",
    ),
    Fault(
        name="CR dropped",
        codes=("transfer-cr-dropped", "size-odd"),
        act=cr_dropped,
        evident=many_returns,
        evidence="six bytes 0D in content of all values",
    ),
    Fault(
        name="bytes over 7F became '?'",
        codes=("transfer-question-marks",),
        act=question_marks,
        evident=question_evident,
        evidence="a run of 16, or a third of the content",
    ),
    Fault(
        name="bytes over 7F became EF BF BD",
        codes=("transfer-replaced",),
        act=replaced,
        evident=high_bytes(8),
        evidence="eight bytes over 7F",
    ),
    Fault(
        name="Latin-1 became UTF-8",
        codes=("transfer-two-bytes",),
        act=two_bytes,
        evident=high_bytes(8),
        evidence="eight bytes over 7F",
    ),
    Fault(
        name="cut at the first 1A",
        codes=("transfer-cut-at-1a", "size-odd"),
        act=cut_at_1a,
        evident=lambda healthy, damaged: healthy != damaged and odd_size(healthy, damaged),
        evidence="the size is no chip's, no power of two plus a half, not whole 128s",
    ),
    Fault(
        name="eighth bit stripped",
        codes=("data-bit-7-lost",),
        act=eighth_bit,
        evident=stuck_evident,
        evidence="16 bytes of fill changed, or content that uses all bits widely",
    ),
    Fault(
        name="hexadecimal text instead of bytes",
        codes=("transfer-hex-text",),
        act=hex_text,
        evident=always,
        evidence="always",
    ),
)
