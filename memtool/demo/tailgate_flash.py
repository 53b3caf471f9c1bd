"""The data flash of the tailgate modules: a store of records, in a format that is made up.

Nothing of the tool is used here. Four pages of 1 KiB; each begins with 16 bytes:

| offset | what                                                     |
|--------|----------------------------------------------------------|
| 0      | `TGFL`                                                   |
| 4      | the page's running number, 16 bits, low byte first       |
| 6      | how often the page was erased, 16 bits, low byte first   |
| 8      | four zeros                                               |
| 12     | CRC-32 of the twelve bytes before it, low byte first     |

Records follow, one written behind the other: the mark 5A, a key, the number of bytes of the
value, the value, and a CRC-16 of all of these. The last record of a key counts. When a page is
full the next one is erased and begins with the value in force of every key; the old page stays
until its turn comes again, and with it all that was ever written there.

| key  | what                                       |
|------|--------------------------------------------|
| 0x01 | serial of the controller                   |
| 0x02 | the VIN                                    |
| 0x03 | the VIN, every bit inverted                |
| 0x04 | flag: a VIN was written                    |
| 0x10 | equipment of the vehicle                   |
| 0x20 | learned end stops                          |
| 0x21 | openings, counted                          |
| 0x22 | faults                                     |
| 0x30 | taught keys: protected, never looked into  |
"""

from __future__ import annotations

import binascii
import random
import struct
import zlib

SIZE = 4096
_PAGE, _HEADER, _MARK = 1024, 16, 0x5A
_SERIAL, _VIN, _VIN_INVERTED, _VIN_WRITTEN, _EQUIPMENT = 0x01, 0x02, 0x03, 0x04, 0x10
_STOPS, _OPENINGS, _FAULTS, _KEYS = 0x20, 0x21, 0x22, 0x30
_BLANKED = (_VIN, _VIN_INVERTED, _VIN_WRITTEN)


class DataFlash:
    """One module's data flash while it is written."""

    def __init__(self, data: bytes | None = None) -> None:
        self.data = bytearray(data if data is not None else b"\xff" * SIZE)
        self._in_force: dict[int, bytes] = {}
        self._page, self._number = -1, 0
        self._end = 0
        for page in sorted(_pages_in_use(self.data), key=lambda each: _number_of(self.data, each)):
            self._page, self._number = page, _number_of(self.data, page)
            self._end = page * _PAGE + _HEADER
            for at, key, value in records_of(bytes(self.data), page):
                self._in_force[key] = value
                self._end = at + len(value) + 5
        if self._page < 0:
            self._open_next()

    def write(self, key: int, value: bytes) -> None:
        """Append one record; go on in the next page where this one is full."""
        if self._end + len(value) + 5 > (self._page + 1) * _PAGE:
            self._open_next()
        self._in_force[key] = value
        self._append(key, value)

    def _append(self, key: int, value: bytes) -> None:
        record = _record(key, value)
        self.data[self._end : self._end + len(record)] = record
        self._end += len(record)

    def _open_next(self) -> None:
        self._page, self._number = (self._page + 1) % (SIZE // _PAGE), self._number + 1
        start = self._page * _PAGE
        erasures = (self._number - 1) // (SIZE // _PAGE) + 1
        head = b"TGFL" + struct.pack("<HHI", self._number, erasures, 0)
        page = head + struct.pack("<I", zlib.crc32(head))
        self.data[start : start + _PAGE] = page.ljust(_PAGE, b"\xff")
        self._end = start + _HEADER
        for key, value in self._in_force.items():
            self._append(key, value)


def used_module(
    seed: str, *, vin: str, serial: str, equipment: bytes, keys: bytes, days: int
) -> bytes:
    """The data flash of a module that was in a vehicle for so many days of use."""
    life = random.Random(seed)
    flash = DataFlash()
    flash.write(_SERIAL, serial.encode())
    flash.write(_KEYS, keys)
    flash.write(_OPENINGS, bytes(4))
    _configure(flash, vin, equipment)
    stops, openings = [412, 7831], 0
    for day in range(days):
        openings += life.randint(1, 9)
        flash.write(_OPENINGS, struct.pack(">I", openings))
        if day % 3 == 0:
            stops = [stop + life.randint(-3, 3) for stop in stops]
            flash.write(_STOPS, struct.pack(">HH", *stops))
        if life.random() < 0.1:
            flash.write(_FAULTS, life.randbytes(life.choice((3, 6, 9))))
    return bytes(flash.data)


def blanked(data: bytes) -> bytes:
    """With every record of the VIN and its flag erased, old ones too, and their CRCs right."""
    memory = bytearray(data)
    for page in _pages_in_use(data):
        for at, key, value in records_of(data, page):
            if key in _BLANKED:
                record = _record(key, b"\xff" * len(value))
                memory[at : at + len(record)] = record
    return bytes(memory)


def configured(data: bytes, *, vin: str, equipment: bytes) -> bytes:
    """As the maker's procedure leaves it: new records behind the last one."""
    flash = DataFlash(data)
    _configure(flash, vin, equipment)
    return bytes(flash.data)


def records_of(data: bytes, page: int) -> list[tuple[int, int, bytes]]:
    """Address, key and value of every record of a page, as they were written."""
    found, at, end = [], page * _PAGE + _HEADER, (page + 1) * _PAGE
    while at + 5 <= end and data[at] == _MARK:
        length = data[at + 2]
        found.append((at, data[at + 1], bytes(data[at + 3 : at + 3 + length])))
        at += length + 5
    return found


def _configure(flash: DataFlash, vin: str, equipment: bytes) -> None:
    flash.write(_VIN, vin.encode())
    flash.write(_VIN_INVERTED, bytes(255 - code for code in vin.encode()))
    flash.write(_VIN_WRITTEN, b"\x01")
    flash.write(_EQUIPMENT, equipment)


def _record(key: int, value: bytes) -> bytes:
    head = bytes([_MARK, key, len(value)]) + value
    return head + struct.pack(">H", binascii.crc_hqx(head, 0xFFFF))


def _pages_in_use(data: bytes | bytearray) -> list[int]:
    return [page for page in range(SIZE // _PAGE) if data[page * _PAGE :][:4] == b"TGFL"]


def _number_of(data: bytes | bytearray, page: int) -> int:
    return int.from_bytes(data[page * _PAGE + 4 : page * _PAGE + 6], "little")


LAYOUT = """\
# Invented, for the demo: the data flash of a power tailgate module that does not exist.
[layout]
name = "tailgate module, data flash"
chip = "4K"
size = 4096
module = "body"
parts = ["TG-33??-D*"]
reviewed = true

[[records]]
name = "data flash"
span = "0x0000-0x0FFF"
length = { at = 2, type = "u8", counts = "payload" }
key = { at = 1, type = "u8" }
newest = { by = "position" }
mark = { at = 0, valid = 0x5A }

[[records.checksum]]
algorithm = "CRC-16/IBM-3740"
covers = "record"
at = -2
byte_order = "big"
when_blanked = "refresh"

[records.page]
size = 1024
header = 16
sequence = { at = 4, type = "u16le" }

[records.page.checksum]
algorithm = "CRC-32/ISO-HDLC"
covers = "0-11"
at = 12
byte_order = "little"
when_blanked = "refresh"

[[records.region]]
key = 0x01
name = "controller serial"
span = "3+12"
kind = "module-identity"
type = "ascii"

[[records.region]]
key = 0x02
name = "VIN"
span = "3+17"
kind = "vehicle-identity"
type = "vin"

[[records.region]]
key = 0x03
name = "VIN, inverted"
span = "3+17"
kind = "vehicle-identity"
type = "vin"
stored_as = "inverted"

[[records.region]]
key = 0x04
name = "VIN written"
span = "3+1"
kind = "state"
type = "u8"

[[records.region]]
key = 0x10
name = "equipment"
span = "3+6"
kind = "configuration"
type = "bytes"

[[records.region]]
key = 0x30
name = "taught keys"
span = "3+16"
kind = "protected"
"""
