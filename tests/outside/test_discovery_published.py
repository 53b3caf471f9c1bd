"""Discovery finds the checksums that published memory formats carry. Sources beside each."""

from __future__ import annotations

import io
import random
import zlib

import pytest
from crccheck.crc import Crc16Modbus, Crc16Xmodem
from PIL import Image as PillowImage
from PIL.PngImagePlugin import PngInfo

from memtool.core.discovery import (
    CONVINCING,
    DiscoveredBlock,
    Discovery,
    Placement,
    Standing,
    discover_checksums,
)
from memtool.core.image import Image
from memtool.core.span import Span


def discover(images: list[bytes], *, most: int = 20, guesses: int = 5) -> Discovery:
    found = [Image.from_bytes(image) for image in images]
    return discover_checksums(found, most=most, guesses=guesses)


def holds(row: DiscoveredBlock, algorithm: str, start: int, end: int) -> bool:
    """Whether the row, or a reading that follows from it, is this block."""
    if (row.algorithm, row.block) == (algorithm, Span(start, end)):
        return True
    return any(
        other.algorithm == algorithm
        and any(start in run for run in other.starts)
        and any(end in run for run in other.ends)
        for other in row.equivalents
    )


# VESA E-EDID Standard Release A, section 3.11 (section number from memory): 128 bytes that add
# up to 0 modulo 256, byte 127 makes them so. The sample is the 800x600 EDID that the Linux
# kernel had built in (drivers/gpu/drm/drm_edid_load.c).
EDID = bytes.fromhex(
    "00ffffffffffff0031d8000000000000051601036d1b1478ea5ec0a4594a9825"
    "20505401000045400101010101010101010101010101a00f200031581c202880"
    "140015d01000001e000000ff004c696e75782023300a20202020000000fd003b"
    "3d242605000a202020202020000000fc004c696e757820535647410a202000c2"
)


def edids(count: int) -> list[bytes]:
    """The sample, and others of other serial numbers and years with the byte 127 that fits."""
    source = random.Random(127)
    images = [EDID]
    while len(images) < count:
        image = bytearray(EDID)
        image[10:18] = source.randbytes(8)
        image[127] = -sum(image[:127]) & 0xFF
        images.append(bytes(image))
    return images


def test_edid_blocks_of_several_displays_are_a_zero_sum() -> None:
    found = discover(edids(5))
    assert found.blocks[0].standing is Standing.CONVINCING
    assert holds(found.blocks[0], "SUM-8/TWOS", 0, 127)
    assert found.blocks[0].field == Span(127, 128)
    assert any(other.algorithm == "SUM-8/TOTAL" for other in found.blocks[0].equivalents)


def test_one_edid_alone_proves_nothing_and_the_answer_says_so() -> None:
    found = discover([EDID], most=1000, guesses=1000)
    assert not [row for row in found.blocks if row.standing is Standing.CONVINCING]
    assert any("One image is not enough" in note for note in found.notes)
    assert any(holds(row, "SUM-8/TWOS", 0, 127) for row in found.blocks)


# JEDEC 21-C, section 4.1.2.11, Annex K (DDR3) and 4.1.2.12, Annex L (DDR4): CRC-16 with
# polynomial 0x1021 and start value 0, low byte first, bytes 0-116 or 0-125 at 126. Samples:
# coreboot, Micron_MT41K256M16HA.spd.hex and hynix-HMA851S6CJR6N-VK.spd.hex.
DDR3 = bytes.fromhex(
    "92110b0304190002031101080a00fe006978693c6911188120083c3c01408305"
    "000000000000000000000000000000000000000000000000000000000f010200"
    "0000000000000000000000000000000000000000000000000000000000000000"
    "000000000000000000000000000000000000000000802c0000000000000006f2"
)
DDR4_PIECES = {
    0: "23110C034521000800600003020300000000060DF83F00006E6E6E11006EF00A"
    "2008000500F02B3428007800143C",
    60: "16360B3516360B35000016360B3516360B35",
    117: "009CB500000000E700",
    126: "872E",
    128: "0F010200",
    254: "C0E2",
}


def ddr4() -> bytes:
    image = bytearray(256)
    for at, text in DDR4_PIECES.items():
        piece = bytes.fromhex(text)
        image[at : at + len(piece)] = piece
    return bytes(image)


def altered(sample: bytes, covered: dict[int, int], count: int) -> list[bytes]:
    """The sample, and others with some covered bytes altered and all CRCs made anew.

    Args:
        sample: Its own CRCs are right.
        covered: End of each block: place of its CRC. Blocks start at 0 or at 128.
        count: How many images.
    """
    source = random.Random(sample)
    images = [sample]
    while len(images) < count:
        image = bytearray(sample)
        for end, at in covered.items():
            start = end & ~127
            for place in (start + 8, start + 20, start + 33, end - 3):
                image[place] = source.randrange(256)
            value = int(Crc16Xmodem.calc(image[start:end]))
            image[at : at + 2] = value.to_bytes(2, "little")
        images.append(bytes(image))
    return images


@pytest.mark.parametrize("padding", [0, 128])
def test_ddr3_field_that_is_not_adjacent_is_found_where_the_images_differ(padding: int) -> None:
    assert int(Crc16Xmodem.calc(DDR3[:117])) == 0xF206
    found = discover([image + bytes(padding) for image in altered(DDR3, {117: 126}, 4)])
    first = found.blocks[0]
    assert (first.algorithm, first.block) == ("CRC-16/XMODEM", Span(0, 117))
    assert (first.field, first.byte_order) == (Span(126, 128), "little")
    assert first.placement is (Placement.DIFFERING if padding else Placement.IMAGE_END)
    assert first.images == (1, 2, 3, 4)
    assert first.expected_by_chance < CONVINCING


def test_ddr4_has_one_crc_in_each_of_its_blocks() -> None:
    sample = ddr4()
    assert int(Crc16Xmodem.calc(sample[:126])) == 0x2E87
    assert int(Crc16Xmodem.calc(sample[128:254])) == 0xE2C0
    found = discover(altered(sample, {126: 126, 254: 254}, 4))
    convincing = [row for row in found.blocks if row.standing is Standing.CONVINCING]
    assert len(convincing) == 2
    assert holds(convincing[0], "CRC-16/XMODEM", 0, 126)
    assert holds(convincing[1], "CRC-16/XMODEM", 128, 254)
    assert [row.field for row in convincing] == [Span(126, 128), Span(254, 256)]


# IPMI Platform Management FRU Information Storage Definition v1.0 rev 1.1: common header and
# info areas are zero-sum bytes. Headers and the chassis area are printed in board manuals.
FRU_HEADERS = ["01000001000000FE", "01010203060000F3", "010001050B0000EE"]


def test_fru_headers_and_areas_are_zero_sums() -> None:
    source = random.Random(8)
    images = []
    for text in FRU_HEADERS:
        header = bytes.fromhex(text)
        assert sum(header) & 0xFF == 0
        area = bytearray(b"\x01\x02\x17" + source.randbytes(12) + b"\x00")
        area[15] = -sum(area[:15]) & 0xFF
        images.append(header + bytes(area) + source.randbytes(8))
    found = discover(images, most=60, guesses=60)
    assert any(holds(row, "SUM-8/TWOS", 0, 7) for row in found.blocks)
    area_row = next(row for row in found.blocks if holds(row, "SUM-8/TWOS", 8, 23))
    assert area_row.images == (1, 2, 3)


# Linux driver e1000e, NVM_SUM: the little-endian words 0x00-0x3F add up to 0xBABA.
def test_network_card_total_is_found_wherever_its_adjusting_word_lies() -> None:
    source = random.Random(0xBABA)
    for adjusting in (0x3F, 0x11):
        images = []
        for _ in range(3):
            image = bytearray(source.randbytes(0x80) + source.randbytes(32))
            image[2 * adjusting : 2 * adjusting + 2] = b"\0\0"
            total = sum(int.from_bytes(image[at : at + 2], "little") for at in range(0, 0x80, 2))
            word = (0xBABA - total) & 0xFFFF
            image[2 * adjusting : 2 * adjusting + 2] = word.to_bytes(2, "little")
            images.append(bytes(image))
        first = discover(images).blocks[0]
        assert (first.algorithm, first.total) == ("WORDSUM-16-LE/TOTAL", 0xBABA)
        assert (first.block, first.field) == (Span(0, 0x80), None)
        assert first.placement is Placement.INSIDE
        assert first.expected_by_chance < CONVINCING


# PNG specification, sections 5.3 and 5.5: CRC-32/ISO-HDLC over type and data, high byte first.
# The chunks are written with the standard library's zlib.crc32.
def chunk(kind: bytes, data: bytes) -> bytes:
    body = kind + data
    return len(data).to_bytes(4, "big") + body + zlib.crc32(body).to_bytes(4, "big")


def test_png_chunks_are_found_each_with_its_crc() -> None:
    header = chunk(b"IHDR", bytes.fromhex("00000001000000010802000000"))
    assert header.endswith(bytes.fromhex("907753DE"))
    source = random.Random(5)
    images = []
    for _ in range(2):
        pixels = zlib.compress(b"\0" + source.randbytes(300), 0)
        images.append(b"\x89PNG\r\n\x1a\n" + header + chunk(b"IDAT", pixels) + chunk(b"IEND", b""))
    found = discover(images)
    rows = [row for row in found.blocks if row.algorithm == "CRC-32/ISO-HDLC"]
    start = 8 + len(header) + 4
    assert rows[0].block == Span(start, len(images[0]) - 16)
    assert rows[0].byte_order == "big"
    assert rows[0].standing is Standing.CONVINCING
    assert any(holds(row, "CRC-32/ISO-HDLC", 12, 29) for row in rows)


# The same chunks as Pillow writes them: files of one layout whose title and pixels differ.
def png_by_pillow(number: int) -> bytes:
    source = random.Random(number)
    info = PngInfo()
    info.add_text("Title", "".join(source.choices("ABCDEFGH", k=20)))
    file = io.BytesIO()
    picture = PillowImage.frombytes("L", (16, 12), source.randbytes(192))
    picture.save(file, "PNG", compress_level=0, pnginfo=info)
    return file.getvalue()


def test_chunks_of_a_png_library_are_found_and_the_adler_of_the_pixels_before_its_chunk() -> None:
    """RFC 1950: the pixels' stream ends with the Adler-32 of what it holds, here uncompressed."""
    images = [png_by_pillow(number) for number in range(2)]
    ends = {}
    for kind in (b"IHDR", b"tEXt", b"IDAT", b"IEND"):
        start = images[0].index(kind)
        ends[start] = start + 4 + int.from_bytes(images[0][start - 4 : start], "big")
    pixels = images[0].index(b"IDAT")
    # Behind type, zlib's header of two bytes and that of a stored block of five.
    adler = Span(pixels + 11, ends[pixels] - 4)
    rows = [row for row in discover(images).blocks if row.standing is Standing.CONVINCING]
    blocks = [(row.algorithm, row.block) for row in rows]
    chunks = {("CRC-32/ISO-HDLC", Span(*chunk)) for chunk in ends.items()}
    assert set(blocks) == {*chunks, ("ADLER-32", adler)}
    assert len(blocks) == 5
    assert {row.byte_order for row in rows} == {"big"}
    alike = {b"IHDR", b"IEND"}
    for row in rows:
        kind = images[0][row.block.start : row.block.start + 4]
        assert row.images == ((1,) if kind in alike else (1, 2))
    around = ("CRC-32/ISO-HDLC", Span(pixels, ends[pixels]))
    assert blocks.index(("ADLER-32", adler)) < blocks.index(around)


# Modbus over Serial Line V1.02, Appendix B: CRC low byte first. The frames are the
# specification's example (memory) and two seen in manuals.
def test_modbus_frames_carry_their_crc_low_byte_first() -> None:
    frames = ["1103006B00037687", "01030002000125CA", "1006020200036AF2"]
    images = [bytes.fromhex(text) for text in frames]
    for image in images:
        assert int(Crc16Modbus.calc(image[:6])).to_bytes(2, "little") == image[6:]
    first = discover(images).blocks[0]
    assert (first.algorithm, first.block) == ("CRC-16/MODBUS", Span(0, 6))
    assert (first.field, first.byte_order) == (Span(6, 8), "little")
    assert first.expected_by_chance < CONVINCING
