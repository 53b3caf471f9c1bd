"""The map and the rows of bytes in the terminal."""

from __future__ import annotations

import re

import pytest

from memtool.core.image import Image
from memtool.core.span import Span
from memtool.formats.layout_toml.parsing import parse_layout
from memtool.render.text.terminal_map import render_bytes, render_map
from memtool.render.values import SIGNS
from tests.build import LAYOUT, module_memory

IMAGE = Image.from_bytes(module_memory())
LAYOUT_OF = parse_layout(LAYOUT)


def plain(text: str) -> list[str]:
    """The lines without styles."""
    return re.sub(r"\x1b\[[0-9;]*m", "", text).splitlines()


def test_map_shows_each_byte_of_a_small_image_by_its_region() -> None:
    lines = plain(render_map(IMAGE, layout=LAYOUT_OF))
    cells = "".join(line.split(maxsplit=1)[1].ljust(64) for line in lines[:4])
    assert len(cells) == 256
    for address, cell in enumerate(cells):
        region = LAYOUT_OF.region_at(address)
        assert cell == (SIGNS[region.kind] if region else "."), hex(address)
    assert "1 byte a cell" in lines[4]
    assert "V vehicle identity" in "".join(lines[4:])


def test_marks_stand_below_their_cells() -> None:
    lines = plain(render_map(IMAGE, layout=LAYOUT_OF, marked=[Span(0x42, 0x44)], marks="odd"))
    assert lines[0].startswith("  0x0000  ")
    row = next(number for number, line in enumerate(lines) if line.startswith("  0x0040"))
    assert lines[row + 1] == " " * (10 + 2) + "^^"
    assert "^ odd" in "".join(lines)


@pytest.mark.parametrize("width", [40, 80, 120])
def test_no_line_is_wider_than_the_terminal(width: int) -> None:
    shown = render_map(IMAGE, layout=LAYOUT_OF, marked=[Span(0, 256)], width=width)
    rows = render_bytes(IMAGE, Span(0, 256), layout=LAYOUT_OF, width=width)
    assert max(map(len, plain(shown) + plain(rows))) <= width


def test_bytes_show_digits_text_marks_and_nothing_protected() -> None:
    lines = plain(
        render_bytes(IMAGE, Span(0x10, 0x21), layout=LAYOUT_OF, marked=[Span(0x11, 0x12)])
    )
    assert lines[0] == (
        "  0x0010  31 4D 38 47 44 4D 39 41  58 4B 50 30 34 32 37 38  1M8GDM9AXKP04278"
    )
    assert lines[1] == " " * 13 + "^^"
    protected = plain(render_bytes(IMAGE, Span(0x80, 0x90), layout=LAYOUT_OF))
    assert protected == ["  0x0080  " + "·· " * 7 + "··  " + "·· " * 7 + "··"]


def test_undefined_bytes_are_dashes() -> None:
    image = Image.from_pieces([(0, b"\x01"), (3, b"A")])
    assert plain(render_bytes(image, Span(0, 4)))[0].startswith("  0x0000  01 -- -- 41 --")
