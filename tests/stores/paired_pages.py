"""Images of an emulated EEPROM in two flash pages, with a history, and a parser of its own.

The format is that of a published application note: STMicroelectronics AN3969, "EEPROM emulation
in STM32F40x/STM32F41x microcontrollers" (and its sisters AN2594, AN4061): two pages, each with
a status in its first half word (FFFF erased, EEEE receives data, 0000 valid); behind four
bytes of header lie pairs of a 16-bit value and a 16-bit virtual address, one behind the other;
the last pair of an address counts. A full page is copied over: the other one is marked as
receiving, gets the new value and then the last one of every other address; the old page is
erased, the new one marked as valid.

Nothing here imports `memtool`.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field

ERASED, RECEIVE, VALID = 0xFFFF, 0xEEEE, 0x0000
FIRST = 4


@dataclass(frozen=True)
class Pair:
    """One record of an image."""

    address: int
    key: int
    value: bytes
    """Two bytes as they lie in memory."""


@dataclass
class PairedPages:
    """Two pages that are written as the application note says."""

    page_size: int
    data: bytearray = field(init=False)

    def __post_init__(self) -> None:
        self.data = bytearray(b"\xff" * 2 * self.page_size)
        self._mark(0, VALID)

    def write(self, key: int, value: bytes, *, cut_off: int | None = None) -> None:
        """Write two bytes. With `cut_off` a copying over stops after so many pairs."""
        page = 0 if self._status(0) == VALID else 1
        if not self._append(page, key, value):
            self._copy_over(page, key, value, cut_off)

    def write_text(self, first_key: int, text: str) -> None:
        """A text over neighbouring virtual addresses, two characters each."""
        raw = text.encode("ascii")
        raw += b"\xff" * (len(raw) % 2)
        for offset in range(0, len(raw), 2):
            self.write(first_key + offset // 2, raw[offset : offset + 2])

    @property
    def is_full(self) -> bool:
        page = 0 if self._status(0) == VALID else 1
        end = (page + 1) * self.page_size
        return bytes(self.data[end - 4 : end]) != b"\xff\xff\xff\xff"

    def _copy_over(self, old: int, key: int, value: bytes, cut_off: int | None) -> None:
        new = 1 - old
        self._mark(new, RECEIVE)
        self._append(new, key, value)
        last = {pair.key: pair for pair in _pairs_of(bytes(self.data), self.page_size, old)}
        for number, pair in enumerate(sorted(last.values(), key=lambda pair: pair.key)):
            if cut_off is not None and number >= cut_off:
                return
            if pair.key != key:
                self._append(new, pair.key, pair.value)
        start = old * self.page_size
        self.data[start : start + self.page_size] = b"\xff" * self.page_size
        self._mark(new, VALID)

    def _append(self, page: int, key: int, value: bytes) -> bool:
        for place in range(page * self.page_size + FIRST, (page + 1) * self.page_size, 4):
            if self.data[place : place + 4] == b"\xff\xff\xff\xff":
                self.data[place : place + 4] = value + key.to_bytes(2, "little")
                return True
        return False

    def _status(self, page: int) -> int:
        start = page * self.page_size
        return int.from_bytes(self.data[start : start + 2], "little")

    def _mark(self, page: int, status: int) -> None:
        start = page * self.page_size
        self.data[start : start + 2] = status.to_bytes(2, "little")


def read_pairs(image: bytes, page_size: int) -> list[Pair]:
    """Every record of an image, oldest first.

    Of a receiving page and a valid one the receiving one is newer: what was written last lies
    there, and all that is copied into it is what the valid one holds.
    """
    rank = {VALID: 0, RECEIVE: 1}
    pages = [
        (rank[status], page)
        for page in (0, 1)
        if (status := int.from_bytes(image[page * page_size : page * page_size + 2], "little"))
        in rank
    ]
    return [pair for _, page in sorted(pages) for pair in _pairs_of(image, page_size, page)]


def _pairs_of(image: bytes, page_size: int, page: int) -> list[Pair]:
    found = []
    for place in range(page * page_size + FIRST, (page + 1) * page_size, 4):
        pair = image[place : place + 4]
        if pair == b"\xff\xff\xff\xff":
            break
        found.append(Pair(place, int.from_bytes(pair[2:], "little"), pair[:2]))
    return found


def newest_of(pairs: list[Pair]) -> dict[int, Pair]:
    """The record of each virtual address that counts."""
    return {pair.key: pair for pair in pairs}


FIRST_VIN_KEY = 0x0110


def module_image(
    vins: list[str],
    *,
    seed: int,
    family: int = 0,
    page_size: int = 1024,
    writes: int = 300,
    cut_off: bool = False,
) -> bytes:
    """The memory of one module that belonged to the vehicles of `vins`, the last one now."""
    own = random.Random(seed)
    store = PairedPages(page_size)
    keys = range(0x0001, 0x0001 + random.Random(family).randrange(12, 30))
    for key in keys:
        store.write(key, own.randbytes(2))
    changes = sorted(own.sample(range(writes), len(vins) - 1)) if len(vins) > 1 else []
    moments = dict(zip([0, *changes], vins, strict=True))
    for number in range(writes):
        if number in moments:
            store.write_text(FIRST_VIN_KEY, moments[number])
        store.write(own.choice(keys), own.randbytes(2))
    if cut_off:
        while not store.is_full:
            store.write(own.choice(keys), own.randbytes(2))
        store.write(own.choice(keys), own.randbytes(2), cut_off=own.randrange(len(keys) + 9))
    return bytes(store.data)
