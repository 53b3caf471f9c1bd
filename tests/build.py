"""A small module's memory for tests, made without the code under test.

A 24C02 of 256 bytes::

    0x00-0x0F  module identity (serial, ASCII)
    0x10-0x20  VIN
    0x21       flag "VIN written"
    0x22-0x23  CRC-16/IBM-3740 of 0x10-0x21, high byte first
    0x30-0x3F  configuration
    0x40-0x43  counter
    0x50-0x60  VIN again, last character first
    0x80-0x8F  protected
    0xA0-0xDF  calibration
"""

from __future__ import annotations

import binascii
import hashlib

DONOR_VIN = "1M8GDM9AXKP042788"
"""Worked example of a check digit, Wikipedia "Vehicle identification number"."""
VEHICLE_VIN = "1G4AH59H45G118341"
"""Example of 49 CFR 565.15, Table VI."""
SIZE = 256
SECRET = hashlib.sha256(b"access data of the test module").digest()[:16]

LAYOUT = """\
[layout]
name = "test module"
chip = "24C02"
size = 256
module = "body"
reviewed = true

[[region]]
name = "serial"
span = "0x00-0x0F"
kind = "module-identity"
type = "ascii"

[[region]]
name = "VIN"
span = "0x10+17"
kind = "vehicle-identity"
type = "vin"

[[region]]
name = "VIN written"
span = "0x21+1"
kind = "state"
type = "u8"

[[region]]
name = "options"
span = "0x30-0x3F"
kind = "configuration"
type = "bytes"

[[region]]
name = "starts"
span = "0x40+4"
kind = "state"
type = "u32be"

[[region]]
name = "VIN, mirrored"
span = "0x50+17"
kind = "vehicle-identity"
type = "vin"
stored_as = "reversed"
copy_of = "VIN"

[[region]]
name = "access"
span = "0x80-0x8F"
kind = "protected"

[[region]]
name = "curve"
span = "0xA0-0xDF"
kind = "calibration"

[[checksum]]
name = "identity CRC"
algorithm = "CRC-16/IBM-3740"
covers = ["0x10-0x21"]
stored = "0x22+2"
byte_order = "big"
when_blanked = "refresh"
"""


def module_memory(
    vin: str = DONOR_VIN,
    *,
    serial: bytes = b"SN-0007731-AB   ",
    options: bytes = bytes(range(16)),
    starts: int = 4711,
    secret: bytes = SECRET,
) -> bytes:
    """The 256 bytes of one module."""
    memory = bytearray(b"\xff" * SIZE)
    memory[0x00:0x10] = serial
    memory[0x10:0x21] = vin.encode()
    memory[0x21] = 1
    memory[0x22:0x24] = identity_crc(memory)
    memory[0x30:0x40] = options
    memory[0x40:0x44] = starts.to_bytes(4, "big")
    memory[0x50:0x61] = vin.encode()[::-1]
    memory[0x80:0x90] = secret
    memory[0xA0:0xE0] = bytes((value * value * 7 + 13) & 0xFF for value in range(64))
    return bytes(memory)


def identity_crc(memory: bytes | bytearray) -> bytes:
    """The checksum of the identity, as the module would store it."""
    return binascii.crc_hqx(memory[0x10:0x22], 0xFFFF).to_bytes(2, "big")


def blanked_memory(memory: bytes) -> bytes:
    """What a right blanking with `LAYOUT` makes of a module, its counter kept."""
    blank = bytearray(memory)
    blank[0x10:0x22] = b"\xff" * 18
    blank[0x50:0x61] = b"\xff" * 17
    blank[0x22:0x24] = identity_crc(blank)
    return bytes(blank)
