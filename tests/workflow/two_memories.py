"""A job on a module with two memories: the small test module, and a data flash beside it.

The data flash is a memory of 2 KiB inside the controller: settings, two copies of the VIN
with a CRC-16/IBM-3740 over both, and data that both modules share. Made without the code
under test.
"""

from __future__ import annotations

import binascii
import hashlib
from pathlib import Path

from tests.build import DONOR_VIN, VEHICLE_VIN
from tests.workflow.jobs import DONOR, ORDER, Bench, new_bench, set_time

FLASH = "2k"
"""The name of the memory: its chip's, where nobody gave one."""
FLASH_SIZE = 2048

FLASH_LAYOUT = """\
[layout]
name = "test module, data flash"
chip = "2K"
size = 2048
module = "body"
reviewed = true

[[region]]
name = "VIN, first"
span = "0x0100+17"
kind = "vehicle-identity"
type = "vin"

[[region]]
name = "VIN, second"
span = "0x0111+17"
kind = "vehicle-identity"
type = "vin"
copy_of = "VIN, first"

[[region]]
name = "settings"
span = "0x0200-0x02FF"
kind = "configuration"

[[checksum]]
name = "identity CRC, data flash"
algorithm = "CRC-16/IBM-3740"
covers = ["0x0100-0x0121"]
stored = "0x0122+2"
byte_order = "big"
when_blanked = "refresh"
"""


def flash_memory(vin: str = DONOR_VIN, settings: str = "donor") -> bytes:
    """The 2,048 bytes of the data flash of one module."""
    memory = bytearray(b"\xff" * FLASH_SIZE)
    memory[0x100:0x122] = vin.encode() * 2
    _refresh(memory)
    for place in range(0x200, 0x300, 32):
        memory[place : place + 32] = hashlib.sha256(f"{settings} {place}".encode()).digest()
    for place in range(0x400, 0x600, 32):
        memory[place : place + 32] = hashlib.sha256(b"shared %d" % place).digest()
    return bytes(memory)


def blanked_flash(memory: bytes) -> bytes:
    """What a right blanking by `FLASH_LAYOUT` makes of it."""
    blank = bytearray(memory)
    blank[0x100:0x122] = b"\xff" * 34
    _refresh(blank)
    return bytes(blank)


def _refresh(memory: bytearray) -> None:
    memory[0x122:0x124] = binascii.crc_hqx(memory[0x100:0x122], 0xFFFF).to_bytes(2, "big")


FLASH_DONOR = flash_memory()
FLASH_ORIGINAL = flash_memory(VEHICLE_VIN, "vehicle")


def start_two(
    folder: Path,
    *,
    donor: bytes = DONOR,
    flash_donor: bytes = FLASH_DONOR,
    layout: bool = True,
) -> Bench:
    """An open job with both memories of both modules backed up, and their layouts."""
    bench = new_bench(folder)
    bench.write("flash.toml", FLASH_LAYOUT.encode())
    for name, data in (("o", FLASH_ORIGINAL), ("d", flash_donor)):
        for number in "12":
            path = bench.write(f"flash-{name}{number}.bin", data)
            set_time(path, minutes_ago=50 - int(number))
    for number in "12":
        set_time(bench.write(f"d{number}.bin", donor), minutes_ago=40 - int(number))
    done = bench.start(order=ORDER)
    assert done.returncode in (0, 1), done.stderr
    done = bench.in_job(
        *("start", "--chip", "2K"),
        *(("--layout", "flash.toml") if layout else ()),
        *("--original", "flash-o1.bin", "--original", "flash-o2.bin"),
        *("--donor", "flash-d1.bin", "--donor", "flash-d2.bin", "--reseated"),
    )
    assert done.returncode in (0, 1), done.stderr
    return bench
