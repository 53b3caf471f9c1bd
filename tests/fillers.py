"""Images without any VIN, made without memtool: what else lies in a module's memory.

Seven kinds. `random` is uniform; the others are what the bench finds: strings, inventories
of part numbers, maps of calibration, records with counters, machine code, and the published
dumps of other memory formats.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

TEXT = """
system status error code value limit sensor pressure temperature engine door window lamp
relay motor supply voltage signal open short ground battery plausible timeout message
counter checksum invalid version hardware software calibration date supplier serial
"""
WORDS = TEXT.split()

# VESA E-EDID block: the former built-in 800x600 EDID of the Linux kernel.
EDID = bytes.fromhex(
    "00ffffffffffff0031d8000000000000051601036d1b1478ea5ec0a4594a9825"
    "20505401000045400101010101010101010101010101a00f200031581c202880"
    "140015d01000001e000000ff004c696e75782023300a20202020000000fd003b"
    "3d242605000a202020202020000000fc004c696e757820535647410a202000c2"
)
# JEDEC DDR3 SPD, first 128 bytes: coreboot, Micron_MT41K256M16HA.spd.hex.
SPD = bytes.fromhex(
    "92110b0304190002031101080a00fe006978693c6911188120083c3c01408305"
    "000000000000000000000000000000000000000000000000000000000f010200"
    "0000000000000000000000000000000000000000000000000000000000000000"
    "000000000000000000000000000000000000000000802c0000000000000006f2"
)
# IPMI FRU: a published chassis area and common headers (board and server manuals).
FRU = bytes.fromhex("01010203060000f3010117c0c0c100a601000001000000fe010001050b0000ee")


def make_filler(kind: str, size: int, rng: random.Random) -> bytes:
    """`size` bytes of one kind."""
    return FILLERS[kind](size, rng)[:size]


def _random(size: int, rng: random.Random) -> bytes:
    return rng.randbytes(size)


def _text(size: int, rng: random.Random) -> bytes:
    """Messages in sentences, capitals and fixed-width fields, ended by zeros or line ends."""
    out = bytearray()
    while len(out) < size:
        words = rng.choices(WORDS, k=rng.randint(1, 8))
        style = rng.randrange(4)
        line = "_".join(words).upper() if style == 0 else " ".join(words)
        if style == 1:
            line = line.title().replace(" ", "")
        if style == 2:
            line = f"{line:40.40} {rng.randint(0, 99999):5d}"
        out += line.encode() + rng.choice([b"\0", b"\r\n", b"\0\0", b" "])
    return bytes(out)


def _inventory(size: int, rng: random.Random) -> bytes:
    """Part, serial and batch numbers in capitals and digits, 5 to 24 characters, and hex text."""
    out = bytearray()
    capitals = "ABCDEFGHJKLMNPRSTUVWXYZ"
    while len(out) < size:
        style = rng.randrange(5)
        if style == 0:
            item = f"{rng.randint(0, 999):03d}{rng.choice(capitals)}{rng.randint(0, 999999):06d}"
        elif style == 1:
            item = "".join(rng.choices(capitals + "0123456789", k=rng.randint(5, 24)))
        elif style == 2:
            item = "".join(rng.choices("0123456789ABCDEF", k=rng.choice([8, 16, 32, 40])))
        elif style == 3:
            item = rng.choice(capitals) * 2 + f"{rng.randint(0, 10**9):010d}"
        else:
            item = f"{rng.randint(0, 99):02d}{rng.choice(WORDS).upper()}{rng.randint(0, 9999):04d}"
        out += item.encode() + rng.choice([b"\0", b" ", b",", b"\xff\xff", b"-", b"\0\0\0\0"])
    return bytes(out)


def _tables(size: int, rng: random.Random) -> bytes:
    """Maps of one and two bytes a value: smooth, with noise, with steps, with axes."""
    out = bytearray()
    while len(out) < size:
        width, big = rng.choice([1, 2, 2]), rng.random() < 0.5
        top = 256**width - 1
        value, slope = rng.uniform(0, top), rng.uniform(-0.03, 0.03) * top
        noise = rng.choice([0.0, 0.002, 0.02]) * top
        for _ in range(rng.choice([8, 16, 17, 64, 256])):
            value += slope + rng.gauss(0, noise)
            if not 0 <= value <= top:
                slope, value = -slope, min(max(value, 0), top)
            out += int(value).to_bytes(width, "big" if big else "little")
        if rng.random() < 0.2:
            out += bytes([rng.choice([0x00, 0xFF])]) * rng.randint(1, 200)
    return bytes(out)


def _records(size: int, rng: random.Random) -> bytes:
    """Append-only records with counters, BCD dates, flags and erased space behind."""
    out = bytearray()
    while len(out) < size:
        counter = rng.randrange(2**32)
        length = rng.choice([8, 12, 16, 24, 32])
        head = rng.randbytes(2)
        for _ in range(rng.randint(1, 40)):
            counter += rng.randint(1, 3)
            date = bytes.fromhex(
                f"20{rng.randint(10, 30):02d}{rng.randint(1, 12):02d}{rng.randint(1, 28):02d}"
            )
            record = head + counter.to_bytes(4, "big") + date
            record += bytes(rng.choices([0, 1, 0xFF, 0x80, rng.randrange(256)], k=length))
            out += record[:length] + bytes([sum(record[:length]) % 256])
        out += b"\xff" * rng.randint(0, 128)
    return bytes(out)


@lru_cache(maxsize=1)
def _machine_code() -> bytes:
    """Machine code that is at hand everywhere: the interpreter's own, or its library's."""
    data = Path(sys.executable).resolve().read_bytes()
    folder = Path(sys.base_prefix) / "lib"
    for library in sorted(folder.glob("libpython3*.so*"))[:1]:
        data += library.read_bytes()
    return data


def _code(size: int, rng: random.Random) -> bytes:
    data = _machine_code()
    start = rng.randint(0, max(0, len(data) - size))
    return data[start : start + size].ljust(size, b"\xff")


def _dumps(size: int, rng: random.Random) -> bytes:
    """Published dumps with some of their bytes changed, erased space between."""
    out = bytearray()
    while len(out) < size:
        dump = bytearray(rng.choice([EDID, SPD, FRU]))
        for _ in range(rng.randint(0, 8)):
            dump[rng.randrange(len(dump))] = rng.randrange(256)
        out += dump + bytes([rng.choice([0x00, 0xFF])]) * rng.randint(0, 128)
    return bytes(out)


FILLERS: dict[str, Callable[[int, random.Random], bytes]] = {
    "random": _random,
    "text": _text,
    "inventory": _inventory,
    "tables": _tables,
    "records": _records,
    "code": _code,
    "dumps": _dumps,
}
