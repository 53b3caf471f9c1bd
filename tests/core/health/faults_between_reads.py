"""Two reads of one chip that differ, and writes that were not taken. Never imports memtool."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class PairFault:
    """How a second read comes out differently."""

    name: str
    codes: tuple[str, ...]
    act: Callable[[random.Random, bytes], bytes]
    evident: Callable[[bytes, bytes], bool]
    evidence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WriteFault:
    """How a write goes wrong: (old content, file, chance) to what the module holds then."""

    name: str
    codes: tuple[str, ...]
    act: Callable[[random.Random, bytes, bytes], bytes]
    evident: Callable[[bytes, bytes, bytes], bool] = lambda old, new, got: differing(new, got) >= 16
    """Of (old content, file, read-back)."""
    evidence: str = "16 bytes are not as intended"


def strays(old: bytes, new: bytes, got: bytes) -> bool:
    """Bytes that are neither old nor intended, of two values and more."""
    values = {c for a, b, c in zip(old, new, got, strict=True) if c not in (a, b)}
    return len(values) >= 2 and differing(new, got) >= 16


def differing(one: bytes, other: bytes) -> int:
    return sum(a != b for a, b in zip(one, other, strict=False))


def noise(drawn: random.Random, data: bytes) -> bytes:
    out = bytearray(data)
    for place in drawn.sample(range(len(data)), max(5, len(data) // 150)):
        out[place] ^= 1 << drawn.randrange(8)
    return bytes(out)


def one_line(drawn: random.Random, data: bytes) -> bytes:
    """One bit place flips now and then, always towards the same level."""
    bit, level, out = 1 << drawn.randrange(8), drawn.randrange(2), bytearray(data)
    rate = drawn.choice((0.02, 0.1, 0.3))
    for place in range(len(data)):
        if drawn.random() < rate:
            out[place] = out[place] | bit if level else out[place] & ~bit
    return bytes(out)


def awake(drawn: random.Random, data: bytes) -> bytes:
    """A counter of four bytes and its copy moved on."""
    out = bytearray(data)
    first = drawn.randrange(0, len(data) - 64) & ~15
    for start in (first, first + 16):
        for place in range(start, start + 4):
            out[place] = (out[place] + drawn.randrange(1, 255)) % 256
    return bytes(out)


def slipped(drawn: random.Random, data: bytes) -> bytes:
    """From some place on one to sixteen bits late."""
    place, number = drawn.randrange(len(data)), drawn.randrange(1, 17)
    rest = data[place:]
    bits = (int.from_bytes(rest, "big") | ((1 << number) - 1) << 8 * len(rest)) >> number
    return data[:place] + bits.to_bytes(len(rest) + 3, "big")[-len(rest) :]


def lost_contact(drawn: random.Random, data: bytes) -> bytes:
    return bytes([drawn.choice((0, 0xFF))]) * len(data)


def lost_line(drawn: random.Random, data: bytes) -> bytes:
    bit = 1 << drawn.randrange(len(data).bit_length() - 1)
    return bytes(data[index & ~bit] for index in range(len(data)))


def other_setting(drawn: random.Random, data: bytes) -> bytes:
    kind = drawn.randrange(4)
    if kind < 2:
        width = 2 << kind
        return b"".join(data[i : i + width][::-1] for i in range(0, len(data), width))
    if kind == 2:
        return bytes(byte ^ 0xFF for byte in data)
    return bytes(int(f"{byte:08b}"[::-1], 2) for byte in data)


def cut(drawn: random.Random, data: bytes) -> bytes:
    return data[: drawn.randrange(1, len(data))]


PAIR_FAULTS = (
    PairFault(
        name="contact noise, one byte in 150",
        codes=("reads-differ-scattered",),
        act=noise,
        evident=lambda a, b: True,
        evidence="always",
    ),
    PairFault(
        name="one data line now and then",
        codes=("reads-differ-data-line",),
        act=one_line,
        evident=lambda a, b: differing(a, b) >= 4,
        evidence="four bytes differ",
    ),
    PairFault(
        name="module awake, counters",
        codes=("reads-differ-region",),
        act=awake,
        evident=lambda a, b: True,
        evidence="always",
    ),
    PairFault(
        name="clock slipped, 1 to 16 bits",
        codes=("reads-differ-shift",),
        act=slipped,
        evident=lambda a, b: differing(a, b) >= 12,
        evidence="12 bytes differ",
    ),
    PairFault(
        name="no contact in one pass",
        codes=("reads-differ-empty",),
        act=lost_contact,
        evident=lambda a, b: a != b,
        evidence="always",
    ),
    PairFault(
        name="address line lost in one pass",
        codes=("reads-differ-address-line",),
        act=lost_line,
        evident=lambda a, b: differing(a, b) >= 16 and len(set(b)) > 1,
        evidence="16 bytes differ",
    ),
    PairFault(
        name="other byte or bit order in one pass",
        codes=("reads-differ-order",),
        act=other_setting,
        evident=lambda a, b: a != b,
        evidence="the order changes the bytes",
    ),
    PairFault(
        name="one read cut short",
        codes=("reads-differ-size",),
        act=cut,
        evident=lambda a, b: True,
        evidence="always",
    ),
)


def in_pages(page: int, chunk: int) -> Callable[[random.Random, bytes, bytes], bytes]:
    """A writer that sends `chunk` bytes at a time to a chip whose address wraps in the page."""

    def act(_: random.Random, old: bytes, new: bytes) -> bytes:
        cells = bytearray(old)
        for first in range(0, len(new), chunk):
            base = first - first % page
            for index, byte in enumerate(new[first : first + chunk]):
                cells[base + (first + index) % page] = byte
        return bytes(cells)

    return act


def upper_kept(part: int) -> Callable[[random.Random, bytes, bytes], bytes]:
    def act(_: random.Random, old: bytes, new: bytes) -> bytes:
        first = len(new) - len(new) // part
        return new[:first] + old[first:]

    return act


def one_line_wrong(drawn: random.Random, old: bytes, new: bytes) -> bytes:
    bit, level = 1 << drawn.randrange(8), drawn.randrange(2)
    return bytes(byte | bit if level else byte & ~bit for byte in new)


WRITE_FAULTS = (
    WriteFault(
        name="write protection on", codes=("write-protected",), act=lambda drawn, old, new: old
    ),
    WriteFault(
        name="block protection, upper quarter", codes=("write-block-protected",), act=upper_kept(4)
    ),
    WriteFault(
        name="block protection, upper half", codes=("write-block-protected",), act=upper_kept(2)
    ),
    WriteFault(
        name="page of 16 written as 32",
        codes=("write-page-wrap",),
        act=in_pages(16, 32),
        evident=strays,
        evidence="16 bytes wrong; two values neither old nor intended",
    ),
    WriteFault(
        name="page of 16 written as 64",
        codes=("write-page-wrap",),
        act=in_pages(16, 64),
        evident=strays,
        evidence="16 bytes wrong; two values neither old nor intended",
    ),
    WriteFault(
        name="one data line",
        codes=("write-data-line",),
        act=one_line_wrong,
        evident=lambda old, new, got: differing(new, got) >= 16 and len(set(got)) > 1,
        evidence="16 bytes wrong, not all alike",
    ),
)
"""Tried on a chip of 2,048 bytes with another content before; the file is a healthy image."""
