"""The first invented job: door zone controllers with a reviewed layout.

The memory (a 95160, 2,048 bytes):

| span          | what                                                                  |
|---------------|-----------------------------------------------------------------------|
| 0x0000-0x003F | module identity: hardware number, serial, date, part number, software |
| 0x0040-0x005F | configuration, guarded by an 8-bit sum at 0x0060                      |
| 0x0080-0x0091 | first VIN and the flag "VIN written", guarded by a CRC-16 at 0x0092   |
| 0x0120-0x0131 | present VIN and its write count; a CRC-16 at 0x0132                   |
| 0x0180-0x0190 | the present VIN mirrored (last character first), no checksum          |
| 0x0200-0x0203 | ignition cycles, counts up while the module is awake                  |
| 0x0400-0x047F | protected: never looked into                                          |
| 0x0500-0x06FF | calibration, guarded by a CRC-32 at 0x0700                            |
"""

from __future__ import annotations

import binascii
import random
import struct
import zlib

from memtool.demo.making import ERASED, SEED, calibration, encode_intel_hex, put

VEHICLE_VIN = "8Z9DMA4B9LD001042"
DONOR_VIN = "8Z9DMA4B0HD017735"
CHIP = "95160"
_SIZE = 2048


def build_files() -> dict[str, bytes]:
    """Every file of the job by its name, the same bytes each time."""
    original = _module(
        serial="C0281140455X",
        date="20200214",
        configuration=_ORIGINAL_CONFIGURATION,
        first=VEHICLE_VIN,
        present=VEHICLE_VIN,
        cycles=41877,
        secret_seed=1,
    )
    donor = _module(
        serial="C0281139102K",
        date="20170630",
        configuration=_DONOR_CONFIGURATION,
        first=DONOR_VIN,
        present=DONOR_VIN,
        cycles=60312,
        secret_seed=2,
    )
    return {
        "door-original-1.bin": original,
        "door-original-2.bin": original,
        "door-donor-1.bin": donor,
        "door-donor-2.hex": encode_intel_hex(donor),
        "door-read-back.bin": _blanked(donor),
        "door-finished.bin": _finished(donor),
        "door.toml": LAYOUT.encode(),
    }


_ORIGINAL_CONFIGURATION = bytes.fromhex(
    "0102004b30210810 0000060c00ff0102 2a00007f01030303 0000000040112233"
)
_DONOR_CONFIGURATION = bytes.fromhex(
    "0102014b30250818 0000060c00ff0101 2a00007f01010303 0000000040112236"
)


def _module(
    *,
    serial: str,
    date: str,
    configuration: bytes,
    first: str,
    present: str,
    cycles: int,
    secret_seed: int,
) -> bytes:
    memory = bytearray([ERASED]) * _SIZE
    put(memory, 0x0000, b"HW04.2C\x00")
    put(memory, 0x0010, serial.encode())
    put(memory, 0x001C, bytes.fromhex(date))
    put(memory, 0x0020, b"DZ-4107-C ")
    put(memory, 0x0030, struct.pack(">H", 0x0317))
    put(memory, 0x0040, configuration)
    memory[0x0060] = -sum(configuration) & 0xFF
    put(memory, 0x0080, first.encode() + b"\x01")
    put(memory, 0x0120, present.encode() + b"\x01")
    put(memory, 0x0180, present.encode()[::-1])
    put(memory, 0x0200, struct.pack(">I", cycles))
    put(memory, 0x0400, random.Random(SEED + secret_seed).randbytes(0x80))
    put(memory, 0x0500, calibration())
    _refresh(memory)
    return bytes(memory)


def _refresh(memory: bytearray) -> None:
    """The checksums as the module's own software would store them."""
    put(memory, 0x0092, struct.pack(">H", binascii.crc_hqx(memory[0x0080:0x0092], 0xFFFF)))
    put(memory, 0x0132, struct.pack("<H", binascii.crc_hqx(memory[0x0120:0x0132], 0x0000)))
    put(memory, 0x0700, struct.pack("<I", zlib.crc32(memory[0x0500:0x0700])))


def _blanked(donor: bytes) -> bytes:
    """What the module holds after the file to program was programmed."""
    memory = bytearray(donor)
    for start, end in ((0x0080, 0x0092), (0x0120, 0x0132), (0x0180, 0x0191)):
        put(memory, start, bytes([ERASED]) * (end - start))
    put(memory, 0x0132, b"\xff\xff")
    put(memory, 0x0092, struct.pack(">H", binascii.crc_hqx(memory[0x0080:0x0092], 0xFFFF)))
    return bytes(memory)


def _finished(donor: bytes) -> bytes:
    """What it holds after the maker's procedure, which alone writes a VIN."""
    memory = bytearray(donor)
    put(memory, 0x0080, VEHICLE_VIN.encode() + b"\x01")
    put(memory, 0x0120, VEHICLE_VIN.encode() + b"\x01")
    put(memory, 0x0180, VEHICLE_VIN.encode()[::-1])
    put(memory, 0x0040, _ORIGINAL_CONFIGURATION)
    memory[0x0060] = -sum(_ORIGINAL_CONFIGURATION) & 0xFF
    put(memory, 0x0200, struct.pack(">I", 60315))
    _refresh(memory)
    return bytes(memory)


LAYOUT = """\
# Invented, for the demo: the memory of a door zone controller that does not exist.
[layout]
name = "door zone controller, board C"
chip = "95160"
base = 0
size = 2048
erased = 0xFF
module = "body"
parts = ["DZ-41??-C*"]
reviewed = true

[[region]]
name = "hardware number"
span = "0x0000+7"
kind = "module-identity"
type = "ascii"

[[region]]
name = "module serial"
span = "0x0010+12"
kind = "module-identity"
type = "ascii"

[[region]]
name = "made on"
span = "0x001C+4"
kind = "module-identity"
type = "bcd"

[[region]]
name = "part number"
span = "0x0020+10"
kind = "module-identity"
type = "ascii"

[[region]]
name = "software level"
span = "0x0030+2"
kind = "module-identity"
type = "u16be"

[[region]]
name = "options"
span = "0x0040+8"
kind = "configuration"
type = "bytes"

[[region]]
name = "equipment bits"
span = "0x0048+8"
kind = "configuration"
type = "bits"
[region.bits]
"one-touch window" = "16"
"child lock" = "17"
"market" = "7-0"

[[region]]
name = "timings"
span = "0x0050+16"
kind = "configuration"
type = "bytes"

[[region]]
name = "VIN, first"
span = "0x0080+17"
kind = "vehicle-identity"
type = "vin"
blank_to = "erased"

[[region]]
name = "VIN written"
span = "0x0091+1"
kind = "state"
type = "u8"
blank_to = "erased"

[[region]]
name = "VIN, present"
span = "0x0120+17"
kind = "vehicle-identity"
type = "vin"
copy_of = "VIN, first"
blank_to = "erased"

[[region]]
name = "VIN write count"
span = "0x0131+1"
kind = "state"
type = "u8"
blank_to = "erased"

[[region]]
name = "VIN, mirrored"
span = "0x0180+17"
kind = "vehicle-identity"
type = "vin"
stored_as = "reversed"
copy_of = "VIN, present"
blank_to = "erased"

[[region]]
name = "ignition cycles"
span = "0x0200+4"
kind = "state"
type = "u32be"

[[region]]
name = "access data"
span = "0x0400+128"
kind = "protected"

[[region]]
name = "calibration"
span = "0x0500-0x06FF"
kind = "calibration"

[[checksum]]
name = "sum of configuration"
algorithm = "SUM-8/TWOS"
covers = ["0x0040-0x005F"]
stored = "0x0060+1"
when_blanked = "refresh"

[[checksum]]
name = "CRC of first VIN"
algorithm = "CRC-16/IBM-3740"
covers = ["0x0080-0x0091"]
stored = "0x0092+2"
byte_order = "big"
when_blanked = "refresh"

[[checksum]]
name = "CRC of present VIN"
algorithm = "CRC-16/XMODEM"
covers = ["0x0120-0x0131"]
stored = "0x0132+2"
byte_order = "little"
when_blanked = "erase"

[[checksum]]
name = "CRC of calibration"
algorithm = "CRC-32/ISO-HDLC"
covers = ["0x0500-0x06FF"]
stored = "0x0700+4"
byte_order = "little"
when_blanked = "refresh"
"""
