"""One invented module family: its layout as a user writes it, and images of it.

Nothing here comes from memtool: checksums by zlib and binascii, text and numbers by hand.
The VIN is invented and has the shape alone (its first letter asks for no check digit).
"""

from __future__ import annotations

import binascii
import zlib

VIN = "DEM0XTESTDATA0017"
SIZE = 512

LAYOUT = """\
# An invented family, for tests.
[layout]
name = "door zone controller, board T"
chip = "24C04"
base = 0
size = 512
erased = 0xFF
module = "body"
parts = ["DZ-41??-T*"]
reviewed = true

[[region]]
name = "VIN, first"
span = "0x0010+17"
kind = "vehicle-identity"
type = "vin"
blank_to = "erased"

[[region]]
name = "VIN, inverted"
span = "0x0030-0x0040"
kind = "vehicle-identity"
type = "vin"
stored_as = "inverted"
copy_of = "VIN, first"

[[region]]
name = "VIN, packed"
span = "0x0050+15"
kind = "vehicle-identity"
type = "vin"
stored_as = "packed-7-msb@0"
copy_of = "VIN, first"

[[region]]
name = "setup flags"
span = "0x0060+1"
kind = "state"
type = "bits"
blank_to = 0x0F

[region.bits]
"VIN was written" = "7"
tries = "6-4"
spare = "3-0"

[[region]]
name = "writes"
span = "0x0062+2"
kind = "state"
type = "u16le"
blank_to = "00 01"

[[region]]
name = "serial number"
span = "0x0080+12"
kind = "module-identity"
type = "ascii"

[[region]]
name = "made on"
span = "0x0090+4"
kind = "module-identity"
type = "bcd"

[[region]]
name = "keys"
span = "0x00A0+32"
kind = "protected"
type = "bytes"

[[region]]
name = "equipment"
span = "0x00C0+16"
kind = "configuration"
type = "bytes"
blank_to = "reference"

[[region]]
name = "curves"
span = "0x0180-0x01FF"
kind = "calibration"

[[checksum]]
name = "identity block"
algorithm = "CRC-16/XMODEM"
covers = ["0x0010-0x005F"]
stored = "0x0100+2"
byte_order = "big"
when_blanked = "refresh"

[[checksum]]
name = "equipment block"
algorithm = "CRC-32/ISO-HDLC"
covers = [
    "0x00C0-0x00C7",
    "0x00C8-0x00CF",
]
stored = "0x0104+4"
byte_order = "little"
when_blanked = "erase"

[[checksum]]
name = "of the checksums"
algorithm = "SUM-8/TWOS"
covers = ["0x0100-0x0101", "0x0104-0x0107"]
stored = "0x010A+1"
when_blanked = "keep"
"""


def pack_seven_bits(text: str) -> bytes:
    """High bit first, the last byte filled up with a zero bit."""
    bits = "".join(f"{ord(character):07b}" for character in text)
    bits += "0" * (-len(bits) % 8)
    return bytes(int(bits[place : place + 8], 2) for place in range(0, len(bits), 8))


def sample_image(vin: str = VIN, *, serial: str = "T0001234") -> bytes:
    """The content of one module, all checksums right."""
    memory = bytearray(b"\xff" * SIZE)

    def put(start: int, data: bytes) -> None:
        memory[start : start + len(data)] = data

    put(0x10, vin.encode())
    put(0x30, bytes(255 - byte for byte in vin.encode()))
    put(0x50, pack_seven_bits(vin))
    put(0x60, bytes([0b1_010_0110]))
    put(0x62, bytes([0x39, 0x05]))  # 1337, least significant byte first
    put(0x80, serial.encode().ljust(12, b"\0"))
    put(0x90, bytes([0x20, 0x19, 0x04, 0x12]))
    put(0xA0, bytes(range(0x40, 0x60)))
    put(0xC0, bytes(range(16)))
    put(0x180, bytes(place * 7 % 256 for place in range(128)))
    put(0x100, binascii.crc_hqx(bytes(memory[0x10:0x60]), 0).to_bytes(2, "big"))
    put(0x104, zlib.crc32(bytes(memory[0xC0:0xD0])).to_bytes(4, "little"))
    put(0x10A, bytes([-sum((*memory[0x100:0x102], *memory[0x104:0x108])) % 256]))
    return bytes(memory)
