"""Checksums of published memory formats: real samples, judged by rules as a layout has them."""

from __future__ import annotations

import struct
import zlib

import pytest

from memtool.core.checksums.checksum import (
    ChecksumRule,
    WhenBlanked,
    apply_checksum,
    check_checksum,
)
from memtool.core.checksums.sums import ByteOrder
from memtool.core.finding import Verdict
from memtool.core.image import Image
from memtool.core.span import Span


def rule(
    algorithm: str,
    covers: Span,
    stored: Span,
    byte_order: ByteOrder = "big",
    total: int | None = None,
) -> ChecksumRule:
    return ChecksumRule(
        name="sample",
        algorithm=algorithm,
        covers=(covers,),
        stored=stored,
        byte_order=byte_order,
        total=total,
        when_blanked=WhenBlanked.REFRESH,
    )


def require_right_and_sensitive(data: bytes, one: ChecksumRule) -> None:
    """The sample passes, a changed covered byte fails, and applying brings the field back."""
    image = Image.from_bytes(data)
    assert check_checksum(image, one).result is Verdict.PASS
    at = one.covers[0].start
    changed = image.with_bytes([(at, bytes([data[at] ^ 0x10]))])
    assert check_checksum(changed, one).result is Verdict.FAIL
    field = one.stored
    blanked = image.with_bytes([(field.start, b"\xa5" * len(field))])
    assert apply_checksum(blanked, one) == image


# VESA E-EDID Standard, Release A, section 3.11 (number from memory): byte 127 makes the sum
# of 128 bytes 0 modulo 256. First sample: the Linux kernel's former built-in 800x600 EDID
# (checksum C2). Second: the readme of pyedid 1.0.3 (checksum 00).
KERNEL_EDID = bytes.fromhex(
    "00ffffffffffff0031d8000000000000051601036d1b1478ea5ec0a4594a9825"
    "20505401000045400101010101010101010101010101a00f200031581c202880"
    "140015d01000001e000000ff004c696e75782023300a20202020000000fd003b"
    "3d242605000a202020202020000000fc004c696e757820535647410a202000c2"
)
README_EDID = bytes.fromhex(
    "00ffffffffffff0004699824010101011e1b01031e351e78ea9265a655559f28"
    "0d5054bfef00714f818081409500a940b300d1c00101023a801871382d40582c"
    "4500132b2100001e000000fd00324c1e5311000a202020202020000000fc0056"
    "533234380a20202020202020000000ff0048374c4d51533132323136310a0000"
)


@pytest.mark.parametrize("data", [KERNEL_EDID, README_EDID], ids=["kernel", "readme"])
def test_edid_block_adds_up_to_zero(data: bytes) -> None:
    assert len(data) == 128
    assert sum(data) % 256 == 0
    field = Span(127, 128)
    require_right_and_sensitive(data, rule("SUM-8/TOTAL", Span(0, 128), field))
    require_right_and_sensitive(data, rule("SUM-8/TOTAL", Span(0, 128), field, total=0))
    require_right_and_sensitive(data, rule("SUM-8/TWOS", Span(0, 127), field))


# JEDEC 21-C sections 4.1.2.11 (DDR3) and 4.1.2.12 (DDR4), at second hand through coreboot:
# CRC-16/XMODEM, stored low byte first. DDR3 covers 0-116 if bit 7 of byte 0 is set, else
# 0-125. Samples: coreboot Micron_MT41K256M16HA.spd.hex and hynix-HMA851S6CJR6N-VK.spd.hex.
DDR3_SPD = bytes.fromhex(
    "92110b0304190002031101080a00fe006978693c6911188120083c3c01408305"
    "000000000000000000000000000000000000000000000000000000000f010200"
    "0000000000000000000000000000000000000000000000000000000000000000"
    "000000000000000000000000000000000000000000802c0000000000000006f2"
)
DDR4_PARTS = {
    0: "23110C034521000800600003020300000000060DF83F00006E6E6E11006EF00A",
    32: "2008000500F02B3428007800143C",
    60: "16360B3516360B35000016360B3516360B35",
    117: "009CB500000000E700",
    126: "872E",
    128: "0F010200",
    254: "C0E2",
}


def ddr4_spd() -> bytes:
    data = bytearray(256)
    for start, text in DDR4_PARTS.items():
        part = bytes.fromhex(text)
        data[start : start + len(part)] = part
    return bytes(data)


def test_ddr3_spd_covers_117_bytes_because_of_its_first_bit() -> None:
    assert DDR3_SPD[0] & 0x80
    field = Span(126, 128)
    right = rule("CRC-16/XMODEM", Span(0, 117), field, "little")
    require_right_and_sensitive(DDR3_SPD, right)
    image = Image.from_bytes(DDR3_SPD)
    assert check_checksum(image, right).computed == bytes.fromhex("06f2")
    longer = check_checksum(image, rule("CRC-16/XMODEM", Span(0, 126), field, "big"))
    assert (longer.result, longer.computed) == (Verdict.FAIL, bytes.fromhex("87a8"))
    other_order = rule("CRC-16/XMODEM", Span(0, 117), field, "big")
    assert check_checksum(image, other_order).result is Verdict.FAIL


def test_ddr4_spd_has_two_blocks() -> None:
    data = ddr4_spd()
    base = rule("CRC-16/XMODEM", Span(0, 126), Span(126, 128), "little")
    module = rule("CRC-16/XMODEM", Span(128, 254), Span(254, 256), "little")
    require_right_and_sensitive(data, base)
    require_right_and_sensitive(data, module)
    assert check_checksum(Image.from_bytes(data), base).computed == bytes.fromhex("872e")
    assert check_checksum(Image.from_bytes(data), module).computed == bytes.fromhex("c0e2")


@pytest.mark.parametrize(
    "text",
    [
        # IPMI Platform Management FRU Information Storage Definition v1.0 (at second hand):
        # zero-sum bytes. Headers and chassis area as printed in board and server manuals.
        "01 00 00 01 00 00 00 FE",
        "01 01 02 03 06 00 00 F3",
        "01 00 01 05 0B 00 00 EE",
        "01 01 17 C0 C0 C1 00 A6",
    ],
)
def test_fru_header_or_area_adds_up_to_zero(text: str) -> None:
    data = bytes.fromhex(text)
    assert sum(data) % 256 == 0
    require_right_and_sensitive(data, rule("SUM-8/TOTAL", Span(0, 8), Span(7, 8)))


def network_card_image() -> bytes:
    words = [(37 * place * place + 1001) % 65536 for place in range(63)]
    words.append((0xBABA - sum(words)) % 65536)
    return struct.pack("<64H", *words)


def test_network_card_words_add_up_to_baba() -> None:
    # Linux e1000e, NVM_SUM: 16-bit words 00 to 3F, low byte first, add up to BABA.
    data = network_card_image()
    assert sum(struct.unpack("<64H", data)) % 65536 == 0xBABA
    field = Span(126, 128)
    require_right_and_sensitive(
        data, rule("WORDSUM-16-LE/TOTAL", Span(0, 128), field, "little", total=0xBABA)
    )
    zero = rule("WORDSUM-16-LE/TOTAL", Span(0, 128), field, "little")
    assert check_checksum(Image.from_bytes(data), zero).result is Verdict.FAIL


@pytest.mark.parametrize(
    ("kind", "body", "crc"),
    [
        # PNG specification (W3C), sections 5.3 and 5.5: CRC-32/ISO-HDLC over type and data,
        # high byte first. The IEND chunk ends every PNG file; IHDR 1x1 calculated.
        (b"IEND", b"", "ae426082"),
        (b"IHDR", bytes.fromhex("00000001000000010802000000"), "907753de"),
    ],
)
def test_png_chunk(kind: bytes, body: bytes, crc: str) -> None:
    data = struct.pack(">I", len(body)) + kind + body + bytes.fromhex(crc)
    assert zlib.crc32(kind + body).to_bytes(4, "big").hex() == crc
    end = 8 + len(body)
    require_right_and_sensitive(data, rule("CRC-32/ISO-HDLC", Span(4, end), Span(end, end + 4)))


@pytest.mark.parametrize(
    ("frame", "on_the_wire"),
    [
        # Modbus over Serial Line V1.02, appendix B: CRC-16/MODBUS, low byte first.
        ("0207", "4112"),  # The specification's example, from memory.
        ("1103006B0003", "7687"),  # From memory.
        ("010300020001", "25CA"),
        ("100602020003", "6AF2"),
    ],
)
def test_modbus_rtu_frame(frame: str, on_the_wire: str) -> None:
    data = bytes.fromhex(frame + on_the_wire)
    end = len(data) - 2
    require_right_and_sensitive(
        data, rule("CRC-16/MODBUS", Span(0, end), Span(end, end + 2), "little")
    )


def test_modbus_ascii_frame() -> None:
    # Modbus over Serial Line: LRC, the two's complement of the byte sum. ":010302580002A0"
    data = bytes.fromhex("010302580002A0")
    require_right_and_sensitive(data, rule("SUM-8/TWOS", Span(0, 6), Span(6, 7)))
