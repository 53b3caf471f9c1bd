"""The invented scenarios: door zone controllers with a layout, seat modules without one, and
tailgate modules with two memories (`tailgate.py`).

All of it is made up, from a fixed seed: the vehicles, the maker, the part numbers, the
layout. `build_files` gives the content of `test_images/`; a test proves that the committed
files are those. Checksums are computed here with the standard library alone, apart from
the code that the tool checks them with.

The layout of the memory (a 95160, 2,048 bytes):

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

The seat module's memory (a 24C04, 512 bytes), for which nobody has a layout; a third module
is there that was never configured:

| span          | what                                                                  |
|---------------|-----------------------------------------------------------------------|
| 0x0000-0x001B | part number, serial, date of making                                   |
| 0x0020-0x002F | configuration, guarded by an 8-bit sum's complement at 0x0030         |
| 0x0040-0x0051 | VIN and the flag "VIN written", guarded by a CRC-16 at 0x0052         |
| 0x0060-0x0070 | the VIN again, every bit inverted                                     |
| 0x0080-0x0083 | seat movements, counted                                               |
| 0x00A0-0x00BF | protected: never looked into                                          |
| 0x0100-0x017F | a table, guarded by a CRC-16 at 0x0180                                |
"""

from __future__ import annotations

import binascii
import random
import struct
import zlib
from pathlib import Path

from memtool.demo import tailgate

VEHICLE_VIN = "8Z9DMA4B9LD001042"
DONOR_VIN = "8Z9DMA4B0HD017735"
CHIP = "95160"
SEAT_VEHICLE_VIN = "8Z9SK2D69MD004417"
SEAT_DONOR_VIN = "8Z9SK2D62KD019306"
SEAT_CHIP = "24C04"
_SIZE = 2048
_SEED = 20260314
_ERASED = 0xFF


def find_test_images() -> Path:
    """The folder of the demo's files: inside the installed package, or of the checkout."""
    package = Path(__file__).parent.parent
    inside = package / "test_images"
    return inside if inside.is_dir() else package.parent / "test_images"


def build_files() -> dict[str, bytes]:
    """Every file of `test_images/` by its name, the same bytes each time."""
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
        "door-donor-2.hex": _intel_hex(donor),
        "door-read-back.bin": _blanked(donor),
        "door-finished.bin": _finished(donor),
        "door.toml": LAYOUT.encode(),
        **_seat_files(),
        **tailgate.build_files(),
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
    memory = bytearray([_ERASED]) * _SIZE
    _put(memory, 0x0000, b"HW04.2C\x00")
    _put(memory, 0x0010, serial.encode())
    _put(memory, 0x001C, bytes.fromhex(date))
    _put(memory, 0x0020, b"DZ-4107-C ")
    _put(memory, 0x0030, struct.pack(">H", 0x0317))
    _put(memory, 0x0040, configuration)
    memory[0x0060] = -sum(configuration) & 0xFF
    _put(memory, 0x0080, first.encode() + b"\x01")
    _put(memory, 0x0120, present.encode() + b"\x01")
    _put(memory, 0x0180, present.encode()[::-1])
    _put(memory, 0x0200, struct.pack(">I", cycles))
    _put(memory, 0x0400, random.Random(_SEED + secret_seed).randbytes(0x80))
    _put(memory, 0x0500, _calibration())
    _refresh(memory)
    return bytes(memory)


def _calibration() -> bytes:
    """A table as calibrations are: small steps, the same in all modules of the family."""
    steps = random.Random(_SEED)
    value, words = 900, []
    for _ in range(256):
        value = max(0, min(4095, value + steps.randint(-60, 60)))
        words.append(value)
    return struct.pack("<256H", *words)


def _refresh(memory: bytearray) -> None:
    """The checksums as the module's own software would store them."""
    _put(memory, 0x0092, struct.pack(">H", binascii.crc_hqx(memory[0x0080:0x0092], 0xFFFF)))
    _put(memory, 0x0132, struct.pack("<H", binascii.crc_hqx(memory[0x0120:0x0132], 0x0000)))
    _put(memory, 0x0700, struct.pack("<I", zlib.crc32(memory[0x0500:0x0700])))


def _blanked(donor: bytes) -> bytes:
    """What the module holds after the file to program was programmed."""
    memory = bytearray(donor)
    for start, end in ((0x0080, 0x0092), (0x0120, 0x0132), (0x0180, 0x0191)):
        _put(memory, start, bytes([_ERASED]) * (end - start))
    _put(memory, 0x0132, b"\xff\xff")
    _put(memory, 0x0092, struct.pack(">H", binascii.crc_hqx(memory[0x0080:0x0092], 0xFFFF)))
    return bytes(memory)


def _finished(donor: bytes) -> bytes:
    """What it holds after the maker's procedure, which alone writes a VIN."""
    memory = bytearray(donor)
    _put(memory, 0x0080, VEHICLE_VIN.encode() + b"\x01")
    _put(memory, 0x0120, VEHICLE_VIN.encode() + b"\x01")
    _put(memory, 0x0180, VEHICLE_VIN.encode()[::-1])
    _put(memory, 0x0040, _ORIGINAL_CONFIGURATION)
    memory[0x0060] = -sum(_ORIGINAL_CONFIGURATION) & 0xFF
    _put(memory, 0x0200, struct.pack(">I", 60315))
    _refresh(memory)
    return bytes(memory)


def _seat_files() -> dict[str, bytes]:
    """The seat modules' reads; each module was read twice with the same result."""
    original = _seat(SEAT_VEHICLE_VIN, "SK20114471A", "20200903", 0, moves=2214)
    donor = _seat(SEAT_DONOR_VIN, "SK18870362C", "20181119", 1, moves=9107)
    reference = _seat(None, "SK21003958B", "20210427", 2, moves=0)
    read_back = _seat(None, "SK18870362C", "20181119", 1, moves=9107)
    finished = _seat(SEAT_VEHICLE_VIN, "SK18870362C", "20181119", 0, moves=9109, secret=1)
    modules = {"original": original, "donor": donor, "reference": reference}
    return {
        **{
            f"seat-{name}-{number}.bin": data for name, data in modules.items() for number in (1, 2)
        },
        "seat-read-back.bin": read_back,
        "seat-finished.bin": finished,
    }


_SEAT_CONFIGURATIONS = tuple(
    bytes.fromhex(text)
    for text in (
        "0103000208000401 10000203000c0040",
        "0101000208000601 10000201000c0140",
        "0100000200000001 10000200000c0040",
    )
)


def _seat(
    vin: str | None, serial: str, date: str, options: int, *, moves: int, secret: int | None = None
) -> bytes:
    """One seat module; without a VIN as it leaves the factory."""
    memory = bytearray([_ERASED]) * 512
    _put(memory, 0x0000, b"SM-2210-B ")
    _put(memory, 0x000C, serial.encode())
    _put(memory, 0x0018, bytes.fromhex(date))
    configuration = _SEAT_CONFIGURATIONS[options]
    _put(memory, 0x0020, configuration)
    memory[0x0030] = ~sum(configuration) & 0xFF
    text = bytes(17) if vin is None else vin.encode()
    _put(memory, 0x0040, text + (b"\x00" if vin is None else b"\x01"))
    _put(memory, 0x0052, struct.pack(">H", binascii.crc_hqx(memory[0x0040:0x0052], 0xFFFF)))
    _put(memory, 0x0060, bytes(17) if vin is None else bytes(255 - code for code in text))
    _put(memory, 0x0080, struct.pack(">I", moves))
    seed = options if secret is None else secret
    _put(memory, 0x00A0, random.Random(f"{_SEED} seat {seed}").randbytes(0x20))
    _put(memory, 0x0100, _calibration()[:0x80])
    _put(memory, 0x0180, struct.pack("<H", binascii.crc_hqx(memory[0x0100:0x0180], 0x0000)))
    return bytes(memory)


def _put(memory: bytearray, start: int, data: bytes) -> None:
    memory[start : start + len(data)] = data


def _intel_hex(data: bytes) -> bytes:
    """Data records of 32 bytes and an end record, as many readers write them."""
    lines = []
    for start in range(0, len(data), 32):
        record = bytes([32]) + struct.pack(">HB", start, 0) + data[start : start + 32]
        lines.append(f":{(record + bytes([-sum(record) & 0xFF])).hex().upper()}")
    return ("\n".join([*lines, ":00000001FF"]) + "\n").encode()


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
