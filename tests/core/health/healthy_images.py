"""Healthy images of invented modules, and the published ones. Never imports memtool.

Families: text-like, table-like, sparse, dense, mirrored on purpose, code, published. The
published contents are samples of open formats: a display's EDID block and SPD contents as
coreboot carries them, an IPMI FRU chassis area; their sources stand beside them.
"""

from __future__ import annotations

import random
from collections.abc import Callable

SIZES = (256, 512, 1024, 2048, 2048, 2048, 4096, 4096, 8192, 16384, 32768)

# Linux kernel, former built-in EDID 800x600.
EDID = bytes.fromhex(
    "00ffffffffffff0031d8000000000000051601036d1b1478ea5ec0a4594a9825"
    "20505401000045400101010101010101010101010101a00f200031581c202880"
    "140015d01000001e000000ff004c696e75782023300a20202020000000fd003b"
    "3d242605000a202020202020000000fc004c696e757820535647410a202000c2"
)
# coreboot, Micron_MT41K256M16HA.spd.hex (DDR3), first 128 bytes.
SPD_DDR3 = bytes.fromhex(
    "92110b0304190002031101080a00fe006978693c6911188120083c3c01408305"
    "000000000000000000000000000000000000000000000000000000000f010200"
    "0000000000000000000000000000000000000000000000000000000000000000"
    "000000000000000000000000000000000000000000802c0000000000000006f2"
)
# IPMI FRU: common header and a whole chassis area, from board and server manuals.
FRU = bytes.fromhex("010001050b0000ee") + bytes.fromhex("010117c0c0c100a6")


def spd_ddr4() -> bytes:
    """coreboot, hynix-HMA851S6CJR6N-VK.spd.hex: zero but for these runs."""
    cells = bytearray(512)
    for start, digits in (
        (0, "23110C034521000800600003020300000000060DF83F00006E6E6E11006EF00A"),
        (32, "2008000500F02B3428007800143C"),
        (60, "16360B3516360B35000016360B3516360B35"),
        (117, "009CB500000000E700"),
        (126, "872E"),
        (128, "0F010200"),
        (254, "C0E2"),
    ):
        run = bytes.fromhex(digits)
        cells[start : start + len(run)] = run
    return bytes(cells)


PUBLISHED = (EDID, SPD_DDR3, spd_ddr4(), FRU)

VIN_CHARACTERS = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"
VIN_VALUES = dict(
    zip(
        VIN_CHARACTERS,
        [1, 2, 3, 4, 5, 6, 7, 8, 1, 2, 3, 4, 5, 7, 9, 2, 3, 4, 5, 6, 7, 8, 9, *range(10)],
        strict=True,
    )
)
VIN_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)

_WORDS = (
    "door zone controller body engine control unit software hardware version level serial "
    "number supplier date checked calibration release boot loader module plant line coding "
    "sensor voltage front rear left right lamp window mirror heating central locking"
)
WORDS = tuple(_WORDS.split())


def make_vin(drawn: random.Random) -> str:
    """Invented; its check digit is right (49 CFR 565.15(c), worked here independently)."""
    text = [drawn.choice(VIN_CHARACTERS) for _ in range(12)] + [
        drawn.choice("0123456789") for _ in range(5)
    ]
    text[0], text[9] = drawn.choice("12345"), drawn.choice("ABCDEFGHJKLMNPRSTVWXY123456789")
    rest = sum(VIN_VALUES[c] * w for c, w in zip(text, VIN_WEIGHTS, strict=True)) % 11
    text[8] = "0123456789X"[rest]
    return "".join(text)


def make_text(drawn: random.Random) -> bytes:
    """One text as modules hold them: part number, date, serial, words."""
    kind = drawn.randrange(6)
    if kind == 0:
        middle = f"{drawn.randrange(10)}-{drawn.randrange(10**5):05d}"
        text = f"{drawn.choice('ABDKLXZ')}{middle}-{drawn.choice('ABCDE')}"
    elif kind == 1:
        year, month, day = drawn.randrange(5, 24), drawn.randrange(1, 13), drawn.randrange(1, 29)
        text = f"20{year:02d}-{month:02d}-{day:02d}"
    elif kind == 2:
        text = f"SN{drawn.randrange(10 ** drawn.randrange(7, 11)):010d}"
    else:
        text = " ".join(drawn.choice(WORDS) for _ in range(drawn.randrange(1, 5)))
        text = drawn.choice((text, text.upper(), text.title()))
    return text.encode("ascii")


def make_numbers(drawn: random.Random, length: int) -> bytes:
    """A table: 8-bit or 16-bit values that climb and fall slowly."""
    wide, order = drawn.random() < 0.5, drawn.choice(("big", "little"))
    top = 0xFFFF if wide else 0xFF
    value, step = drawn.randrange(top), drawn.randrange(1, 200 if wide else 9)
    out = bytearray()
    while len(out) < length:
        value = min(top, max(0, value + drawn.randint(-step, step)))
        out += value.to_bytes(2 if wide else 1, order)  # type: ignore[arg-type]
    return bytes(out[:length])


def fill_of(drawn: random.Random) -> int:
    return 0xFF if drawn.random() < 0.8 else 0x00


def place(cells: bytearray, start: int, content: bytes) -> None:
    content = content[: max(0, len(cells) - start)]
    cells[start : start + len(content)] = content


def text_like(drawn: random.Random, size: int) -> bytes:
    """Fields of text, each with padding, some counters and flags between."""
    fill = fill_of(drawn)
    cells, at = bytearray([fill]) * size, drawn.randrange(0, 32)
    if size >= 512 or drawn.random() < 0.5:
        place(cells, size // 2 + drawn.randrange(16), make_vin(drawn).encode())
    while at < size - 32:
        field = make_text(drawn)
        if cells[at : at + len(field)].count(fill) == len(field):
            place(cells, at, field)
        at += len(field) + drawn.choice((1, 2, 3, drawn.randrange(1, 24)))
        if drawn.random() < 0.4:
            place(cells, at, drawn.randbytes(drawn.randrange(1, 9)))
            at += 12
        if drawn.random() < 0.03:
            at += drawn.randrange(size // 4)
    return bytes(cells[:size])


def table_like(drawn: random.Random, size: int) -> bytes:
    cells = bytearray([fill_of(drawn)]) * size
    at = drawn.choice((0, 0, 16))
    while at < size:
        length = min(size - at, drawn.choice((32, 64, 128, 256, 512)))
        if at < 32 or drawn.random() < 0.75:
            place(cells, at, make_numbers(drawn, length))
        at += length
        if drawn.random() < 0.3:
            field = make_text(drawn)
            place(cells, at, field)
            at += len(field) + drawn.randrange(1, 8)
    return bytes(cells[:size])


def sparse(drawn: random.Random, size: int) -> bytes:
    """Nearly empty: a few records, flags, perhaps one text."""
    cells = bytearray([fill_of(drawn)]) * size
    for _ in range(drawn.randrange(1, 7)):
        place(cells, drawn.randrange(size), drawn.randbytes(drawn.randrange(1, 17)))
    if drawn.random() < 0.5:
        place(cells, drawn.randrange(size), make_text(drawn))
    return bytes(cells[:size])


def dense(drawn: random.Random, size: int) -> bytes:
    """Compressed or encrypted content, often with an erased tail."""
    used = size if drawn.random() < 0.5 else drawn.randrange(size // 4, size)
    return drawn.randbytes(used) + bytes([fill_of(drawn)]) * (size - used)


def mirrored(drawn: random.Random, size: int) -> bytes:
    """Copies kept on purpose: of everything, of a part, with counters, inverted, side by side."""
    half = drawn.choice((text_like, table_like, dense, sparse))(drawn, size // 2)
    kind = drawn.randrange(6)
    if kind == 0:
        return half + half
    if kind == 1:
        copy = bytearray(half)
        for at in drawn.sample(range(len(copy)), drawn.randrange(1, 5)):
            copy[at] = (copy[at] + 1) % 256
        return half + bytes(copy)
    if kind == 2:
        return half + bytes(byte ^ 0xFF for byte in half)
    cells = bytearray(drawn.choice((text_like, table_like, dense, sparse))(drawn, size))
    length = drawn.choice((16, 32, 64, 128))
    if kind == 3:
        for _ in range(drawn.randrange(1, 6)):
            at = drawn.randrange(0, size // (2 * length)) * 2 * length
            place(cells, at + length, bytes(cells[at : at + length]))
    elif kind == 4:
        part = size // 4
        place(cells, size // 2, bytes(cells[:part]))
    else:
        block = bytes(cells[:length])
        for at in range(length, 3 * length, length):
            place(cells, at, block)
    return bytes(cells[:size])


def code(drawn: random.Random, size: int) -> bytes:
    """Instructions of an invented 16/32-bit machine, constants and texts between, FF behind."""
    opcodes = [drawn.randbytes(drawn.choice((1, 2))) for _ in range(48)]
    weights = [1 / (rank + 1) for rank in range(48)]
    out = bytearray()
    used = drawn.randrange(size // 2, size + 1)
    while len(out) < used:
        out += drawn.choices(opcodes, weights)[0]
        for _ in range(drawn.choice((0, 0, 1, 1, 2))):
            out.append(
                min(255, int(drawn.expovariate(0.03)))
                if drawn.random() < 0.7
                else drawn.randrange(256)
            )
        if drawn.random() < 0.004:
            out += make_text(drawn) + b"\0"
    return bytes(out[:used]) + b"\xff" * (size - used)


def published(drawn: random.Random, size: int) -> bytes:
    """One or several of the published contents in a chip, the rest erased."""
    cells = bytearray([fill_of(drawn)]) * size
    step = drawn.choice((128, 256, 512))
    for at in range(0, size, step):
        if at == 0 or drawn.random() < 0.2:
            place(cells, at, drawn.choice(PUBLISHED)[:step])
    return bytes(cells[:size])


FAMILIES: dict[str, Callable[[random.Random, int], bytes]] = {
    "text-like": text_like,
    "table-like": table_like,
    "sparse": sparse,
    "dense": dense,
    "mirrored": mirrored,
    "code": code,
    "published": published,
}


def make_healthy(seed: int, number: int) -> tuple[str, bytes]:
    """(family, content) of image `number` of the set that `seed` names."""
    drawn = random.Random(f"{seed}/{number}")
    family = list(FAMILIES)[number % len(FAMILIES)]
    return family, FAMILIES[family](drawn, drawn.choice(SIZES))
