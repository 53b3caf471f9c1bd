"""The second invented job: seat modules for which nobody has a layout.

The memory is a 24C04, 512 bytes. A third module is there that was never configured:

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

from memtool.demo.making import ERASED, SEED, calibration, put

VEHICLE_VIN = "8Z9SK2D69MD004417"
DONOR_VIN = "8Z9SK2D62KD019306"
CHIP = "24C04"


def build_files() -> dict[str, bytes]:
    """Every file of the job by its name; each module was read twice with the same result."""
    original = _seat(VEHICLE_VIN, "SK20114471A", "20200903", 0, moves=2214)
    donor = _seat(DONOR_VIN, "SK18870362C", "20181119", 1, moves=9107)
    reference = _seat(None, "SK21003958B", "20210427", 2, moves=0)
    read_back = _seat(None, "SK18870362C", "20181119", 1, moves=9107)
    finished = _seat(VEHICLE_VIN, "SK18870362C", "20181119", 0, moves=9109, secret=1)
    modules = {"original": original, "donor": donor, "reference": reference}
    return {
        **{
            f"seat-{name}-{number}.bin": data for name, data in modules.items() for number in (1, 2)
        },
        "seat-read-back.bin": read_back,
        "seat-finished.bin": finished,
    }


_CONFIGURATIONS = tuple(
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
    memory = bytearray([ERASED]) * 512
    put(memory, 0x0000, b"SM-2210-B ")
    put(memory, 0x000C, serial.encode())
    put(memory, 0x0018, bytes.fromhex(date))
    configuration = _CONFIGURATIONS[options]
    put(memory, 0x0020, configuration)
    memory[0x0030] = ~sum(configuration) & 0xFF
    text = bytes(17) if vin is None else vin.encode()
    put(memory, 0x0040, text + (b"\x00" if vin is None else b"\x01"))
    put(memory, 0x0052, struct.pack(">H", binascii.crc_hqx(memory[0x0040:0x0052], 0xFFFF)))
    put(memory, 0x0060, bytes(17) if vin is None else bytes(255 - code for code in text))
    put(memory, 0x0080, struct.pack(">I", moves))
    seed = options if secret is None else secret
    put(memory, 0x00A0, random.Random(f"{SEED} seat {seed}").randbytes(0x20))
    put(memory, 0x0100, calibration()[:0x80])
    put(memory, 0x0180, struct.pack("<H", binascii.crc_hqx(memory[0x0100:0x0180], 0x0000)))
    return bytes(memory)
