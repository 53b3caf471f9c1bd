"""Images of a published key-value store in flash, with a history, and an independent parser.

The format is the one that its maker publishes: "Non-Volatile Storage Library", section
"Internals", ESP-IDF Programming Guide,
https://docs.espressif.com/projects/esp-idf/en/latest/esp32/api-reference/storage/nvs_flash.html.
The maker's own package (``esp-idf-nvs-partition-gen``) makes fresh images only; what is made
here grows as a module's memory grows: keys written again, old entries marked as erased, pages
that fill up, are copied over and erased. `tests/outside/test_record_stores.py` proves both
parser and generator against the package.

Nothing here imports `memtool`.
"""

from __future__ import annotations

import random
import struct
import zlib
from dataclasses import dataclass, field

PAGE = 4096
ENTRY = 32
FIRST = 64
ENTRIES = 126
WRITTEN, ERASED, EMPTY = 0b10, 0b00, 0b11
ACTIVE, FULL, FREEING, UNUSED = 0xFFFFFFFE, 0xFFFFFFFC, 0xFFFFFFF8, 0xFFFFFFFF
U8, U16, U32, TEXT, BLOB_DATA, BLOB_INDEX = 0x01, 0x02, 0x04, 0x21, 0x42, 0x48
ANY_CHUNK = 0xFF
VERSION_2 = 0xFE
_NUMBERS = {U8: 1, U16: 2, U32: 4}


def crc(data: bytes) -> int:
    """As the format has it: the register starts at zero, unlike the catalogue's CRC-32s."""
    return zlib.crc32(data, 0xFFFFFFFF)


@dataclass(frozen=True)
class Item:
    """One record of an image."""

    address: int
    namespace: int
    key: str
    type: int
    chunk: int
    value: bytes
    """Of numbers, texts and parts of blobs; of a blob's index its eight bytes."""
    valid: bool
    """Written, and not marked as erased."""

    @property
    def identity(self) -> tuple[int, str, int]:
        return (self.namespace, self.key, self.chunk)


class BrokenStoreError(Exception):
    """The image breaks a rule of the format."""


@dataclass
class Store:
    """A store that is written as a module writes it."""

    pages: int
    data: bytearray = field(init=False)
    order: list[int] = field(init=False, default_factory=list)
    """Numbers of the pages in use, oldest first."""
    used: int = field(init=False, default=0)
    """Entries taken in the active page."""
    sequence: int = field(init=False, default=0)
    namespaces: dict[str, int] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self.data = bytearray(b"\xff" * PAGE * self.pages)
        self._open_page(0)

    def write_number(self, namespace: str, key: str, kind: int, value: int) -> None:
        data = value.to_bytes(_NUMBERS[kind], "little").ljust(8, b"\xff")
        self._replace(self._namespace(namespace), key, kind, ANY_CHUNK, data, b"")

    def write_text(self, namespace: str, key: str, text: str) -> None:
        raw = text.encode("ascii") + b"\x00"
        self._replace(self._namespace(namespace), key, TEXT, ANY_CHUNK, _sized(raw), raw)

    def write_blob(self, namespace: str, key: str, raw: bytes) -> None:
        """Of one chunk, with the index behind it."""
        number = self._namespace(namespace)
        old = [
            item
            for item in read_items(bytes(self.data))
            if item.valid and (item.namespace, item.key) == (number, key)
        ]
        # A new version takes the chunk numbers that the old one leaves free.
        chunk = 0x80 if any(item.chunk == 0 for item in old) else 0
        self._put(number, key, BLOB_DATA, chunk, _sized(raw), raw)
        index = struct.pack("<IBBH", len(raw), 1, chunk, 0xFFFF)
        self._put(number, key, BLOB_INDEX, ANY_CHUNK, index, b"")
        for item in old:
            self._mark_erased(number, key, item.type, item.chunk, newest=False)

    def erase(self, namespace: str, key: str) -> None:
        number = self._namespace(namespace)
        for item in read_items(bytes(self.data)):
            if item.valid and (item.namespace, item.key) == (number, key):
                self._mark_erased(number, key, item.type, item.chunk, newest=True)

    def _namespace(self, name: str) -> int:
        if name not in self.namespaces:
            self.namespaces[name] = len(self.namespaces) + 1
            data = bytes([self.namespaces[name]]).ljust(8, b"\xff")
            self._put(0, name, U8, ANY_CHUNK, data, b"")
        return self.namespaces[name]

    def _replace(
        self, namespace: int, key: str, kind: int, chunk: int, data: bytes, more: bytes
    ) -> None:
        """Write first, erase the old one afterwards."""
        self._put(namespace, key, kind, chunk, data, more)
        self._mark_erased(namespace, key, kind, chunk, newest=False)

    def _put(
        self, namespace: int, key: str, kind: int, chunk: int, data: bytes, more: bytes
    ) -> None:
        span = 1 + (len(more) + ENTRY - 1) // ENTRY
        if self.used + span > ENTRIES:
            self._set_state(self.order[-1], FULL)
            self._next_page()
        self._append(_entry(namespace, kind, span, chunk, key, data), more, span)

    def _append(self, entry: bytes, more: bytes, span: int) -> None:
        page = self.order[-1]
        start = page * PAGE + FIRST + self.used * ENTRY
        self.data[start : start + ENTRY] = entry
        self.data[start + ENTRY : start + ENTRY + len(more)] = more
        for number in range(self.used, self.used + span):
            self._set_bits(page, number, WRITTEN)
        self.used += span

    def _next_page(self) -> None:
        free = [page for page in range(self.pages) if page not in self.order]
        self._open_page(free[0])
        if len(free) > 1:
            return
        # The last free page takes what is still valid in the page with most erased entries.
        old = min(self.order[:-1], key=lambda page: self._count(page, WRITTEN))
        self._set_state(old, FREEING)
        number = 0
        while number < ENTRIES:
            start = old * PAGE + FIRST + number * ENTRY
            span = max(self.data[start + 2], 1) if self._bits(old, number) == WRITTEN else 1
            if self._bits(old, number) == WRITTEN:
                piece = bytes(self.data[start : start + span * ENTRY])
                self._append(piece[:ENTRY], piece[ENTRY:], span)
            number += span
        self.data[old * PAGE : (old + 1) * PAGE] = b"\xff" * PAGE
        self.order.remove(old)

    def _open_page(self, page: int) -> None:
        header = struct.pack("<IIB", ACTIVE, self.sequence, VERSION_2).ljust(28, b"\xff")
        header += crc(header[4:28]).to_bytes(4, "little")
        self.data[page * PAGE : page * PAGE + ENTRY] = header
        self.order.append(page)
        self.sequence += 1
        self.used = 0

    def _set_state(self, page: int, state: int) -> None:
        struct.pack_into("<I", self.data, page * PAGE, state)

    def _bits(self, page: int, number: int) -> int:
        return self.data[page * PAGE + ENTRY + number // 4] >> number % 4 * 2 & 0b11

    def _set_bits(self, page: int, number: int, bits: int) -> None:
        place = page * PAGE + ENTRY + number // 4
        shift = number % 4 * 2
        self.data[place] = self.data[place] & ~(0b11 << shift) & 0xFF | bits << shift

    def _count(self, page: int, bits: int) -> int:
        return sum(self._bits(page, number) == bits for number in range(ENTRIES))

    def _mark_erased(
        self, namespace: int, key: str, kind: int, chunk: int, *, newest: bool
    ) -> None:
        """Clear the bits of the valid entries of a key, all but the newest one or all."""
        found = [
            item
            for item in read_items(bytes(self.data))
            if item.valid and item.identity == (namespace, key, chunk) and item.type == kind
        ]
        found.sort(key=lambda item: (self.order.index(item.address // PAGE), item.address))
        for item in found if newest else found[:-1]:
            page, place = divmod(item.address, PAGE)
            first = (place - FIRST) // ENTRY
            for number in range(first, first + self.data[item.address + 2]):
                self._set_bits(page, number, ERASED)


def _sized(raw: bytes) -> bytes:
    return struct.pack("<HHI", len(raw), 0xFFFF, crc(raw))


def _entry(namespace: int, kind: int, span: int, chunk: int, key: str, data: bytes) -> bytes:
    head = bytes([namespace, kind, span, chunk])
    rest = key.encode("ascii").ljust(16, b"\x00") + data
    return head + crc(head + rest).to_bytes(4, "little") + rest


def read_items(image: bytes) -> list[Item]:
    """Every record of an image, stale ones too, pages by their sequence numbers.

    Raises:
        BrokenStoreError: some checksum or rule of the format does not hold.
    """
    found: list[tuple[int, list[Item]]] = []
    for start in range(0, len(image), PAGE):
        page = image[start : start + PAGE]
        state, sequence = struct.unpack_from("<II", page)
        if state == UNUSED:
            if page != b"\xff" * PAGE:
                raise BrokenStoreError(f"page at {start:#x} is not in use and not erased")
            continue
        if crc(page[4:28]) != int.from_bytes(page[28:32], "little"):
            raise BrokenStoreError(f"header of the page at {start:#x}")
        found.append((sequence, list(_items_of_page(page, start))))
    found.sort(key=lambda each: each[0])
    return [item for _, items in found for item in items]


def _items_of_page(page: bytes, start: int) -> list[Item]:
    items = []
    number = 0
    while number < ENTRIES:
        bits = page[ENTRY + number // 4] >> number % 4 * 2 & 0b11
        place = FIRST + number * ENTRY
        entry = page[place : place + ENTRY]
        if bits == EMPTY:
            if page[place:] != b"\xff" * (PAGE - place):
                raise BrokenStoreError(f"free space at {start + place:#x} is not erased")
            break
        if crc(entry[:4] + entry[8:]) != int.from_bytes(entry[4:8], "little"):
            raise BrokenStoreError(f"entry at {start + place:#x}")
        kind, span = entry[1], entry[2]
        value = entry[24:32]
        if kind in _NUMBERS:
            value = value[: _NUMBERS[kind]]
        elif kind in (TEXT, BLOB_DATA):
            size = int.from_bytes(entry[24:26], "little")
            value = page[place + ENTRY : place + ENTRY + size]
            if crc(value) != int.from_bytes(entry[28:32], "little"):
                raise BrokenStoreError(f"value of the entry at {start + place:#x}")
        key = entry[8:24].rstrip(b"\x00").decode("ascii")
        items.append(
            Item(start + place, entry[0], key, kind, entry[3], value, valid=bits == WRITTEN)
        )
        number += span
    return items


def newest_of(items: list[Item]) -> dict[tuple[int, str, int], Item]:
    """The record that counts of each key that is in force."""
    return {item.identity: item for item in items if item.valid}


_WORDS = ("drv", "trip", "light", "lock", "seat", "mirror", "wiper", "horn", "temp", "fan", "volt")


def module_image(
    vins: list[str], *, seed: int, family: int = 0, pages: int = 4, writes: int = 250
) -> bytes:
    """The memory of one module that belonged to the vehicles of `vins`, the last one now.

    Args:
        vins: Oldest first; the VIN is written again at each change.
        seed: Of what differs from module to module.
        family: Of what is the same in all modules of one kind: keys, types.
        pages: Of 4 KiB.
        writes: Values written in all.
    """
    common, own = random.Random(family), random.Random(seed)
    store = Store(pages)
    serial = "".join(own.choices("0123456789", k=10))
    store.write_text("factory", "serial", f"SN{serial}")
    store.write_text("factory", "part", f"DZ-{common.randrange(1000, 9999)}-C")
    numbers = [
        (f"{word}_{common.randrange(100)}", common.choice((U8, U16, U32)))
        for word in common.sample(_WORDS, common.randrange(4, 9))
    ]
    blob = f"cfg{common.randrange(10)}"
    changes = sorted(own.sample(range(writes), len(vins) - 1)) if len(vins) > 1 else []
    moments = dict(zip([0, *changes], vins, strict=True))
    for number in range(writes):
        if number in moments:
            store.write_text("vehicle", "vin", moments[number])
        if number % 61 == 7:
            store.write_blob("vehicle", blob, own.randbytes(own.choice((24, 48, 96))))
        key, kind = own.choice(numbers)
        store.write_number("run", key, kind, own.randrange(1 << 8 * _NUMBERS[kind]))
        if own.random() < 0.01:
            store.erase("run", own.choice(numbers)[0])
    return bytes(store.data)
