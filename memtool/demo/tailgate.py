"""The third invented job: power tailgate modules with two memories, and a reader that swaps words.

Nothing of the tool is used here: text, numbers and checksums are put together by hand, with the
standard library. All of it is made up.

The EEPROM (a 93C66, 512 bytes, organised in words of 16 bits). The bench's reader writes each
word low byte first, so that every two bytes of its files are swapped:

| span          | what                                                      |
|---------------|-----------------------------------------------------------|
| 0x0000-0x001B | part number, serial, software level                       |
| 0x0020-0x002F | configuration, guarded by a CRC-16 at 0x0030              |
| 0x0040-0x0051 | VIN and a flag "VIN written", guarded by a CRC-16 at 0x0052 |
| 0x00C0-0x00DF | protected: never looked into                              |
| 0x0100-0x017F | calibration, guarded by a CRC-16 at 0x0180                |

The controller's data flash (4 KiB; its files hold the chip's own order) keeps records:
`tailgate_flash.py`.
"""

from __future__ import annotations

import binascii
import random
import struct

from memtool.demo import tailgate_flash
from memtool.demo.making import put

VEHICLE_VIN = "8Z9TG3C06NP006120"
DONOR_VIN = "8Z9TG3C04JP018342"
EEPROM, FLASH = "93C66", "4K"
_SEED = "tailgate 20260314"


def build_files() -> dict[str, bytes]:
    """Every file of the job by its name, the same bytes each time.

    Each memory was read twice, the original's data flash three times: its clip sat badly.
    """
    original = _eeprom(VEHICLE_VIN, "TL22064471Q", _VEHICLE_OPTIONS, secret=1)
    donor = _eeprom(DONOR_VIN, "TL19031907D", _DONOR_OPTIONS, secret=2)
    original_flash = _flash(VEHICLE_VIN, "MC4400918223", _VEHICLE_EQUIPMENT, days=210, secret=1)
    donor_flash = _flash(DONOR_VIN, "MC4400517760", _DONOR_EQUIPMENT, days=150, secret=2)
    blanked_flash = tailgate_flash.blanked(donor_flash)
    finished = _eeprom(VEHICLE_VIN, "TL19031907D", _VEHICLE_OPTIONS, secret=2)
    return {
        **_reads("original-eeprom", _swapped(original), 2),
        **_reads("original-flash", original_flash, 3),
        **_reads("donor-eeprom", _swapped(donor), 2),
        **_reads("donor-flash", donor_flash, 2),
        "tailgate-read-back-eeprom.bin": _swapped(_eeprom_blanked(donor)),
        "tailgate-read-back-flash.bin": blanked_flash,
        "tailgate-finished-eeprom.bin": _swapped(finished),
        "tailgate-finished-flash.bin": tailgate_flash.configured(
            blanked_flash, vin=VEHICLE_VIN, equipment=_VEHICLE_EQUIPMENT
        ),
        "tailgate-eeprom.toml": EEPROM_LAYOUT.encode(),
        "tailgate-flash.toml": tailgate_flash.LAYOUT.encode(),
    }


_VEHICLE_OPTIONS = bytes.fromhex("02010c405a780000 1400321e00ff0007")
_DONOR_OPTIONS = bytes.fromhex("02010c4050780000 1400281e00ff0003")
_VEHICLE_EQUIPMENT = bytes.fromhex("0204 1e00 07 01")
_DONOR_EQUIPMENT = bytes.fromhex("0204 1400 03 01")


def _reads(name: str, data: bytes, count: int) -> dict[str, bytes]:
    return {f"tailgate-{name}-{number}.bin": data for number in range(1, count + 1)}


def _swapped(memory: bytes) -> bytes:
    """As this reader writes a memory of words: low byte first."""
    return b"".join(bytes([low, high]) for high, low in zip(memory[::2], memory[1::2], strict=True))


def _eeprom(vin: str, serial: str, options: bytes, *, secret: int) -> bytes:
    memory = bytearray(b"\xff" * 512)
    put(memory, 0x0000, b"TG-3305-D ")
    put(memory, 0x000C, serial.encode())
    put(memory, 0x0018, struct.pack(">H", 0x0204))
    put(memory, 0x0020, options)
    put(memory, 0x0040, vin.encode() + b"\x01")
    put(memory, 0x00C0, random.Random(f"{_SEED} secret {secret}").randbytes(0x20))
    put(memory, 0x0100, _table("calibration", 64))
    put(memory, 0x0030, struct.pack(">H", binascii.crc_hqx(memory[0x0020:0x0030], 0xFFFF)))
    put(memory, 0x0180, struct.pack(">H", binascii.crc_hqx(memory[0x0100:0x0180], 0x0000)))
    _refresh_eeprom(memory)
    return bytes(memory)


def _eeprom_blanked(memory: bytes) -> bytes:
    blanked = bytearray(memory)
    put(blanked, 0x0040, b"\xff" * 18)
    _refresh_eeprom(blanked)
    return bytes(blanked)


def _refresh_eeprom(memory: bytearray) -> None:
    put(memory, 0x0052, struct.pack(">H", binascii.crc_hqx(memory[0x0040:0x0052], 0xFFFF)))


def _flash(vin: str, serial: str, equipment: bytes, *, days: int, secret: int) -> bytes:
    return tailgate_flash.used_module(
        f"{_SEED} use {secret}",
        vin=vin,
        serial=serial,
        equipment=equipment,
        keys=random.Random(f"{_SEED} keys {secret}").randbytes(16),
        days=days,
    )


def _table(name: str, words: int) -> bytes:
    """A table as calibrations are: small steps, the same in all modules of the family."""
    steps = random.Random(f"{_SEED} {name}")
    value, found = 1200, []
    for _ in range(words):
        value = max(0, min(4095, value + steps.randint(-40, 40)))
        found.append(value)
    return struct.pack(f">{words}H", *found)


EEPROM_LAYOUT = """\
# Invented, for the demo: the EEPROM of a power tailgate module that does not exist.
[layout]
name = "tailgate module, EEPROM"
chip = "93C66"
size = 512
module = "body"
parts = ["TG-33??-D*"]
reviewed = true

[[region]]
name = "part number"
span = "0x0000+10"
kind = "module-identity"
type = "ascii"

[[region]]
name = "module serial"
span = "0x000C+11"
kind = "module-identity"
type = "ascii"

[[region]]
name = "software level"
span = "0x0018+2"
kind = "module-identity"
type = "u16be"

[[region]]
name = "options"
span = "0x0020+4"
kind = "configuration"
type = "bytes"

[[region]]
name = "opening height, percent"
span = "0x0024+1"
kind = "configuration"
type = "u8"

[[region]]
name = "equipment"
span = "0x0025+11"
kind = "configuration"
type = "bits"
[region.bits]
"foot sensor" = "0"
"soft close" = "1"
"warning tone" = "2"
"closing force" = "47-40"

[[region]]
name = "VIN"
span = "0x0040+17"
kind = "vehicle-identity"
type = "vin"

[[region]]
name = "VIN written"
span = "0x0051+1"
kind = "state"
type = "u8"

[[region]]
name = "access data"
span = "0x00C0+32"
kind = "protected"

[[region]]
name = "calibration"
span = "0x0100-0x017F"
kind = "calibration"

[[checksum]]
name = "CRC of configuration"
algorithm = "CRC-16/IBM-3740"
covers = ["0x0020-0x002F"]
stored = "0x0030+2"
byte_order = "big"
when_blanked = "refresh"

[[checksum]]
name = "CRC of VIN"
algorithm = "CRC-16/IBM-3740"
covers = ["0x0040-0x0051"]
stored = "0x0052+2"
byte_order = "big"
when_blanked = "refresh"

[[checksum]]
name = "CRC of calibration"
algorithm = "CRC-16/XMODEM"
covers = ["0x0100-0x017F"]
stored = "0x0180+2"
byte_order = "big"
when_blanked = "refresh"
"""
