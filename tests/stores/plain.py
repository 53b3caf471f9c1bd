"""Stores of records of two plain kinds, with a history: invented, in the manner of the trade.

`equal_records`: records of one size, each with a mark, a key, a running number and a CRC, in two
banks; a full bank is copied over. `with_lengths`: records that say how long their value is, one
behind the other, in two banks with a numbered header.

Nothing here imports `memtool`; the CRCs are those of crccheck.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

from crccheck.crc import Crc16Ibm3740, Crc16Xmodem

RECORD = 32
VIN_KEY = 0x11


@dataclass(frozen=True)
class Item:
    """One record of an image, oldest first in any list."""

    address: int
    key: int
    value: bytes


def equal_records(
    vins: list[str], *, seed: int, family: int = 0, bank: int = 2048, writes: int = 120
) -> tuple[bytes, list[Item], dict[int, Item]]:
    """An image, its records, and which one of each key counts."""
    own, common = random.Random(seed), random.Random(family)
    keys = common.sample(range(0x20, 0xF0), 7)
    banks = [bytearray(b"\xff" * bank), bytearray(b"\xff" * bank)]
    state = {"bank": 0, "at": 0, "number": own.randrange(1, 40)}
    newest: dict[int, bytes] = {}

    def append(key: int, value: bytes) -> None:
        head = bytes([0xA5, key]) + state["number"].to_bytes(2, "little") + b"\x00\x00" + value
        record = head + Crc16Xmodem.calc(head).to_bytes(2, "little")
        banks[state["bank"]][state["at"] : state["at"] + RECORD] = record
        state["at"] += RECORD
        state["number"] += 1

    def write(key: int, value: bytes) -> None:
        if state["at"] == bank:
            other = 1 - state["bank"]
            banks[other][:] = b"\xff" * bank
            state["bank"], state["at"] = other, 0
            for old_key, old in newest.items():
                append(old_key, old)
        append(key, value)
        newest[key] = value

    changes = sorted(own.sample(range(1, writes), len(vins) - 1)) if len(vins) > 1 else []
    moments = dict(zip([0, *changes], vins, strict=True))
    for number in range(writes):
        if number in moments:
            write(VIN_KEY, moments[number].encode().ljust(24, b"\x00"))
        write(own.choice(keys), own.randbytes(own.randrange(4, 24)).ljust(24, b"\x00"))
    data = bytes(banks[0] + banks[1])
    items = [
        (
            int.from_bytes(data[at + 2 : at + 4], "little"),
            Item(at, data[at + 1], data[at + 6 : at + 30]),
        )
        for at in range(0, len(data), RECORD)
        if data[at] == 0xA5
    ]
    ordered = [item for _, item in sorted(items, key=lambda each: each[0])]
    return data, ordered, {item.key: item for item in ordered}


def with_lengths(
    vins: list[str],
    *,
    seed: int,
    family: int = 0,
    bank: int = 2048,
    writes: int = 90,
    whole: bool = False,
) -> tuple[bytes, list[Item], dict[int, Item]]:
    """An image, its records, and which one of each key counts.

    With `whole` the length is that of the record, not of its value.
    """
    besides = 4 if whole else 0
    own, common = random.Random(seed), random.Random(family)
    keys = {key: common.choice((1, 2, 4, 8, 12)) for key in common.sample(range(0x20, 0xF0), 9)}
    banks = [bytearray(b"\xff" * bank), bytearray(b"\xff" * bank)]
    state = {"bank": 0, "at": 8, "bank_number": 1}
    newest: dict[int, bytes] = {}

    def open_bank(number: int) -> None:
        banks[number][:] = b"\xff" * bank
        banks[number][:8] = b"BK" + state["bank_number"].to_bytes(2, "little") + b"\x00\x00\x00\x01"
        state.update(bank=number, at=8, bank_number=state["bank_number"] + 1)

    def append(key: int, value: bytes) -> None:
        head = bytes([key, len(value) + besides]) + value
        record = head + Crc16Ibm3740.calc(head).to_bytes(2, "big")
        banks[state["bank"]][state["at"] : state["at"] + len(record)] = record
        state["at"] += len(record)

    def write(key: int, value: bytes) -> None:
        if state["at"] + len(value) + 4 > bank:
            open_bank(1 - state["bank"])
            for old_key, old in newest.items():
                append(old_key, old)
        append(key, value)
        newest[key] = value

    open_bank(0)
    changes = sorted(own.sample(range(1, writes), len(vins) - 1)) if len(vins) > 1 else []
    moments = dict(zip([0, *changes], vins, strict=True))
    for number in range(writes):
        if number in moments:
            write(VIN_KEY, moments[number].encode())
        key = own.choice(list(keys))
        write(key, own.randbytes(keys[key]))
    data = bytes(banks[0] + banks[1])
    items = _read_lengths(data, bank, besides)
    return data, items, {item.key: item for item in items}


def _read_lengths(data: bytes, bank: int, besides: int) -> list[Item]:
    found = []
    for start in range(0, len(data), bank):
        if data[start : start + 2] != b"BK":
            continue
        number, at = int.from_bytes(data[start + 2 : start + 4], "little"), start + 8
        while at < start + bank and data[at] != 0xFF:
            length = data[at + 1] - besides
            found.append((number, Item(at, data[at], data[at + 2 : at + 2 + length])))
            at += length + 4
    return [item for _, item in sorted(found, key=lambda each: each[0])]
