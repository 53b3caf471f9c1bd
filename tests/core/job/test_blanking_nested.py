"""A checksum inside another one's block: found, blanked and refreshed from the inside out.

CRCs are computed by crccheck (MIT), which holds G. Cook's catalogue.
"""

from __future__ import annotations

import random
from itertools import permutations

import pytest
from crccheck.crc import Crc8SaeJ1850, Crc16Ibm3740, Crc32

from memtool.core.discovery import discover_checksums
from memtool.core.image import Image
from memtool.core.job.blanking import plan_blank
from memtool.core.span import Span
from memtool.formats.layout_toml.parsing import parse_layout

HEAD = """\
[layout]
name = "three deep"
chip = "24C04"
size = 512
module = "body"
reviewed = true

[[region]]
name = "VIN"
span = "0x20+17"
kind = "vehicle-identity"
type = "vin"
"""
RULES = {
    "VIN block": ("CRC-8/SAE-J1850", "0x20+17", "0x31+1", "big"),
    "identity": ("CRC-16/IBM-3740", "0x10-0x3F", "0x40+2", "little"),
    "whole image": ("CRC-32/ISO-HDLC", "0x00-0x1FB", "0x1FC+4", "big"),
}


def seal(memory: bytearray) -> bytes:
    """The memory with all three right, the innermost first."""
    memory[0x31] = int(Crc8SaeJ1850.calc(memory[0x20:0x31]))
    memory[0x40:0x42] = int(Crc16Ibm3740.calc(memory[0x10:0x40])).to_bytes(2, "little")
    memory[0x1FC:] = int(Crc32.calc(memory[:0x1FC])).to_bytes(4, "big")
    return bytes(memory)


def module(number: int) -> bytes:
    source = random.Random(f"module {number}")
    memory = bytearray(source.randbytes(512))
    memory[0x20:0x31] = b"1M8GDM9AXKP" + b"%06d" % source.randrange(10**6)
    return seal(memory)


@pytest.mark.parametrize("names", list(permutations(RULES)), ids=", ".join)
def test_blank_refreshes_from_the_inside_out_in_whatever_order_the_layout_has_them(
    names: tuple[str, ...],
) -> None:
    text = HEAD
    for name in names:
        algorithm, covers, stored, order = RULES[name]
        text += (
            f'\n[[checksum]]\nname = "{name}"\nalgorithm = "{algorithm}"\ncovers = ["{covers}"]\n'
            f'stored = "{stored}"\nbyte_order = "{order}"\nwhen_blanked = "refresh"\n'
        )
    memory = module(1)
    blank = bytearray(memory)
    for edit in plan_blank(Image.from_bytes(memory), parse_layout(text)).edits:
        blank[edit.span.start : edit.span.end] = edit.new
    wanted = bytearray(memory)
    wanted[0x20:0x31] = b"\xff" * 17
    assert blank == seal(wanted)


def test_discovery_gives_the_order_in_which_blank_refreshes() -> None:
    rows = discover_checksums([Image.from_bytes(module(number)) for number in range(6)]).blocks
    assert [(row.algorithm, row.field) for row in rows[:3]] == [
        ("CRC-8/SAE-J1850", Span(0x31, 0x32)),
        ("CRC-16/IBM-3740", Span(0x40, 0x42)),
        ("CRC-32/ISO-HDLC", Span(0x1FC, 0x200)),
    ]
    assert [row.block for row in rows[1:3]] == [Span(0x10, 0x40), Span(0, 0x1FC)]
