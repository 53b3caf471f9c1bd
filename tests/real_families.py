"""Module families planted into real images: every byte but the planted VINs is foreign.

The images are those of `tests/real_images.py`. A family is two to four memories of one size:
EEPROMs of different displays, or pieces of firmware of which some are equal in all modules and
others are not. VINs are put over some of their bytes at the same places in each, in one of
several stored forms. A draft may take these bytes away, and no other: what stands beside them
is a real format's own data. Never imports memtool.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass

from tests.module_families import make_vin
from tests.real_images import RealFile

SIZES = (512, 1024, 2048, 4096)


@dataclass(frozen=True, slots=True, kw_only=True)
class RealFamily:
    """Memories of one family."""

    name: str
    memories: tuple[bytes, ...]
    vins: tuple[str, ...]
    """One a memory."""
    places: tuple[range, ...]
    """Addresses that hold a VIN."""


def make_real_family(
    seed: int, *, modules: int, firmware: Sequence[RealFile], displays: Sequence[RealFile]
) -> RealFamily:
    """The family of a seed; even seeds are displays, odd ones firmware."""
    drawn = random.Random(f"real family/{seed}")
    if seed % 2:
        memories, name = _of_firmware(drawn, modules, firmware)
    else:
        memories, name = _of_displays(drawn, modules, displays)
    places = _free_places(drawn, len(memories[0]), drawn.randint(1, 3))
    vins = [make_vin("1GNEK13", drawn) for _ in memories]
    forms = [drawn.choice(("plain", "plain", "reversed", "inverted")) for _ in places]
    for memory, vin in zip(memories, vins, strict=True):
        for place, form in zip(places, forms, strict=True):
            memory[place.start : place.stop] = _stored(vin, form)
    return RealFamily(
        name=f"{seed}: {name}",
        memories=tuple(bytes(memory) for memory in memories),
        vins=tuple(vins),
        places=tuple(places),
    )


def _of_displays(
    drawn: random.Random, modules: int, displays: Sequence[RealFile]
) -> tuple[list[bytearray], str]:
    size = drawn.choice((128, 256, 256))
    chosen = drawn.sample([file for file in displays if len(file.data) >= size], modules)
    return [bytearray(file.data[:size]) for file in chosen], "displays"


def _of_firmware(
    drawn: random.Random, modules: int, firmware: Sequence[RealFile]
) -> tuple[list[bytearray], str]:
    """Blocks of 128 bytes from one file: equal in all modules, or another in each, or erased."""
    size = drawn.choice(SIZES)
    file = drawn.choice([file for file in firmware if len(file.data) >= 16 * size])
    memories = [bytearray() for _ in range(modules)]
    for _ in range(size // 128):
        starts = [drawn.randrange(len(file.data) - 128) for _ in memories]
        kind = drawn.random()
        for memory, start in zip(memories, starts, strict=True):
            start = starts[0] if kind < 0.6 else start
            memory += b"\xff" * 128 if kind > 0.85 else file.data[start : start + 128]
    return memories, file.name


def _free_places(drawn: random.Random, size: int, number: int) -> list[range]:
    places: list[range] = []
    while len(places) < number:
        start = drawn.randrange(size - 17)
        if all(start + 17 <= other.start or other.stop <= start for other in places):
            places.append(range(start, start + 17))
    return sorted(places, key=lambda place: place.start)


def _stored(vin: str, form: str) -> bytes:
    text = vin.encode("ascii")
    if form == "reversed":
        return text[::-1]
    return bytes(byte ^ 0xFF for byte in text) if form == "inverted" else text
