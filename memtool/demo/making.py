"""What the scenarios share: bytes put into a memory, a table, a reader's file."""

from __future__ import annotations

import random
import struct

SEED = 20260314
ERASED = 0xFF


def put(memory: bytearray, start: int, data: bytes) -> None:
    """Write into the memory from `start` on."""
    memory[start : start + len(data)] = data


def calibration() -> bytes:
    """A table as calibrations are: small steps, the same in all modules of the family."""
    steps = random.Random(SEED)
    value, words = 900, []
    for _ in range(256):
        value = max(0, min(4095, value + steps.randint(-60, 60)))
        words.append(value)
    return struct.pack("<256H", *words)


def encode_intel_hex(data: bytes) -> bytes:
    """Data records of 32 bytes and an end record, as many readers write them."""
    lines = []
    for start in range(0, len(data), 32):
        record = bytes([32]) + struct.pack(">HB", start, 0) + data[start : start + 32]
        lines.append(f":{(record + bytes([-sum(record) & 0xFF])).hex().upper()}")
    return ("\n".join([*lines, ":00000001FF"]) + "\n").encode()
