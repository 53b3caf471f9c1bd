"""Two compared images as lines for the terminal."""

from __future__ import annotations

import random

import pytest

from memtool.core.comparing.difference import compare_images
from memtool.core.comparing.moved import MOST_BLOCKS, MovedBlock
from memtool.core.image import Image
from memtool.core.layouts.layout import (
    BitField,
    FieldType,
    Layout,
    ModuleKind,
    Region,
    RegionKind,
)
from memtool.core.span import Span
from memtool.render.text.difference_text import MOST_MOVED, MOST_RUNS, render_difference

LAYOUT = Layout(
    name="test module",
    chip="24C02",
    size=256,
    module=ModuleKind.BODY,
    regions=(
        Region(
            name="VIN\x1b[31m",
            span=Span(0x20, 0x31),
            kind=RegionKind.VEHICLE_IDENTITY,
            type=FieldType.VIN,
        ),
        Region(name="counter", span=Span(0x32, 0x34), kind=RegionKind.STATE, type=FieldType.U16BE),
        Region(name="keys", span=Span(0x40, 0x50), kind=RegionKind.PROTECTED),
        Region(
            name="flags",
            span=Span(0x50, 0x51),
            kind=RegionKind.STATE,
            type=FieldType.BITS,
            bits=(BitField(name="written", high=7, low=7),),
        ),
        Region(name="rest", span=Span(0x60, 0xF0), kind=RegionKind.CONFIGURATION),
    ),
)


def image(*pieces: tuple[int, bytes]) -> Image:
    return Image.from_bytes(b"\xff" * 256).with_bytes(pieces)


def test_summary_comes_first_and_counts() -> None:
    text = render_difference(compare_images(image((3, b"\x01\x02")), image((9, b"\x03"))))
    assert text.splitlines()[0] == "3 bytes differ, in 2 runs; 253 bytes are equal."
    assert "One layout for both: not checked." in text


def test_one_byte_is_told_in_the_singular() -> None:
    text = render_difference(compare_images(image((3, b"\x01")), image()))
    assert text.startswith("1 byte differs, in 1 run; 255 bytes are equal.")


def test_equal_images_say_so() -> None:
    text = render_difference(compare_images(image(), image()))
    assert text.startswith("The images are equal: 256 bytes at the same addresses.")


def test_images_without_a_common_address_say_so() -> None:
    one, two = Image.from_bytes(b"\x01"), Image.from_bytes(b"\x01", base=16)
    text = render_difference(compare_images(one, two))
    assert "The images share no address." in text
    assert "Only in A: 0x0000+1 (1 byte)" in text
    assert "Only in B: 0x0010+1 (1 byte)" in text


def test_run_shows_address_length_hex_and_text_of_both() -> None:
    text = render_difference(compare_images(image((0x20, b"AB\x00")), image()))
    assert "  0x0020-0x0022 (3 bytes)\n    A  41 42 00 " in text
    assert "  AB.\n    B  FF FF FF" in text


def test_long_run_is_cut_and_says_how_much_is_left_out() -> None:
    text = render_difference(compare_images(image((0, bytes(100))), image()))
    assert text.count("       ... 68 more bytes") == 2


def test_regions_fields_and_protected_bytes() -> None:
    a = image((0x20, b"1G4AH59H45G118341"), (0x32, b"\x00\x05"), (0x40, b"SECRETS!"), (0x50, b"\0"))
    text = render_difference(compare_images(a, image(), layout=LAYOUT))
    assert "0x0020-0x0030 (17 bytes)  vehicle identity: VIN\\x1b[31m" in text
    assert "\x1b" not in text
    assert "0x0040-0x0047 (8 bytes)  protected: keys\n    protected: not shown" in text
    assert "SECRETS" not in text
    assert "53 45 43" not in text
    assert "VIN\\x1b[31m (vehicle identity)\n    A  1G4AH59H45G118341\n    B  blank" in text
    assert "counter (state)\n    A  5 (0x5)\n    B  65535 (0xFFFF)" in text
    assert "keys (protected)\n    A  protected: not shown\n    B  protected: not shown" in text
    assert "flags (state)\n    A  written 0\n    B  written 1" in text


def test_unreadable_field_says_why() -> None:
    a = image((0x20, b"1G4AH59H45G11834I"))
    text = render_difference(compare_images(a, image((0x20, b"\x01" * 17)), layout=LAYOUT))
    assert "1G4AH59H45G11834I (not readable: " in text
    assert "not readable: not printable text" in text


def test_moved_block_names_both_places() -> None:
    piece = random.Random(3).randbytes(20)
    text = render_difference(compare_images(image((0, piece)), image((0x80, piece))))
    assert "  0x0000-0x0013 of A is at 0x0080-0x0093 in B (20 bytes)" in text


def test_long_lists_are_cut_and_say_how_many_more() -> None:
    pieces = [random.Random(seed).randbytes(16) for seed in range(60)]
    a = Image.from_bytes(b"".join(piece + bytes(16) for piece in pieces))
    b = Image.from_bytes(b"".join(bytes(16) + piece for piece in reversed(pieces)))
    text = render_difference(compare_images(a, b))
    assert f"  ... and {60 - MOST_MOVED} more blocks (all in --json)" in text
    every_second = image(*((place, b"\x00") for place in range(0, 256, 2)))
    text = render_difference(compare_images(image(), every_second))
    assert f"  ... and {128 - MOST_RUNS} more runs (all in --json)" in text


def test_too_many_moved_blocks_are_told_with_the_address_where_the_search_ended() -> None:
    found = compare_images(image((0, b"A")), image())
    blocks = [MovedBlock(16 * turn, 16 * turn + 32, 16) for turn in range(MOST_BLOCKS)]
    text = render_difference(found._replace(moved=tuple(blocks)))
    assert f"  From 0x{16 * MOST_BLOCKS:04X} on no more were looked for" in text
    assert "looked for" not in render_difference(found._replace(moved=tuple(blocks[1:])))


@pytest.mark.parametrize("width", [40, 60, 80])
def test_no_line_is_wider_than_the_window(width: int) -> None:
    noise = random.Random(5).randbytes(200)
    pieces = [(place, noise[place : place + 3]) for place in range(0, 200, 7)]
    apart = Image.from_pieces((place * 9, bytes([place])) for place in range(20))
    for other in (image(*pieces), apart):
        for layout in (None, LAYOUT):
            text = render_difference(compare_images(image(), other, layout=layout), width=width)
            assert max(len(line) for line in text.splitlines()) <= width
