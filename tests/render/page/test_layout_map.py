"""Layouts as lines of text: every byte on the map, nothing wider than the window."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.core.image import Image
from memtool.core.layouts.layout import Layout, ModuleKind, Region, RegionKind
from memtool.core.layouts.layout_fit import check_fit
from memtool.core.span import Span
from memtool.formats.layout_toml.parsing import parse_layout
from memtool.render.page.layout_map import render_fit, render_layout, render_map
from memtool.render.values import SIGNS
from tests.sample_layout import LAYOUT, VIN, sample_image

SAMPLE = parse_layout(LAYOUT)


def rows_of(lines: list[str]) -> str:
    """The letters of the map alone, one after the other."""
    return "".join(line.split("  ", 1)[1] for line in lines if line.startswith("0x"))


def test_map_has_the_letter_of_its_kind_for_every_byte() -> None:
    signs = rows_of(render_map(SAMPLE))
    assert len(signs) == 512
    for address, sign in enumerate(signs):
        region = SAMPLE.region_at(address)
        assert sign == ("." if region is None else SIGNS[region.kind])


def test_every_kind_has_a_letter_of_its_own() -> None:
    assert set(SIGNS) == set(RegionKind)
    assert len(set(SIGNS.values())) == len(SIGNS)


def test_one_protected_byte_shows_on_the_map_of_a_large_memory() -> None:
    layout = Layout(
        name="large",
        chip="flash",
        base=0x8000_0000,
        size=1 << 20,
        module=ModuleKind.ENGINE,
        regions=(
            Region(name="code", span=Span(0x8000_0000, 0x8001_0001), kind=RegionKind.CODE),
            Region(name="key", span=Span(0x8001_0001, 0x8001_0002), kind=RegionKind.PROTECTED),
        ),
    )
    lines = render_map(layout)
    assert lines[0] == "Map, one letter for 1,024 bytes:"
    assert rows_of(lines) == "X" * 64 + "P" + "." * 959
    assert all(len(line) <= 80 for line in lines)


def test_layout_names_every_region_gap_and_checksum_with_its_values() -> None:
    fit = check_fit(SAMPLE, Image.from_bytes(sample_image()))
    text = render_layout(SAMPLE, fit)
    flat = re.sub(r"\s+", " ", text)
    for region in SAMPLE.regions:
        assert f"{region.kind.replace('-', ' ')} {region.name}" in flat
    assert flat.count(" no region 0x") == len(SAMPLE.gaps) + 1  # one in the map's key
    assert "CRC-16/XMODEM over 0x0010-0x005F, big-endian; when blanked: refresh -> " in flat
    assert "-> 1337 (0x539)" in flat
    assert "VIN was written 1, tries 2, spare 6" in flat
    assert flat.count(f"-> {VIN}") == 3
    assert flat.count(": pass") == 3


def test_protected_bytes_are_never_shown() -> None:
    fit = check_fit(SAMPLE, Image.from_bytes(sample_image()))
    text = render_layout(SAMPLE, fit)
    assert "protected: not shown" in text
    assert bytes(range(0x40, 0x48)).hex() not in text.lower().replace(" ", "")
    assert "@ABC" not in text


def test_wrong_checksum_is_said_in_words_with_both_values() -> None:
    image = Image.from_bytes(sample_image()).with_bytes([(0x10A, b"\x00")])
    right = sample_image()[0x10A]
    text = render_layout(SAMPLE, check_fit(SAMPLE, image))
    assert f"00: fail, computed {right:02X}" in text


def test_long_field_of_bytes_is_cut_for_people() -> None:
    layout = parse_layout(LAYOUT.replace('kind = "calibration"', 'kind = "code"\ntype = "bytes"'))
    text = render_layout(layout, check_fit(layout, Image.from_bytes(sample_image())))
    assert "and 96 more bytes" in re.sub(r"\s+", " ", text)


def test_fit_says_score_and_reasons() -> None:
    image = Image.from_bytes(sample_image()).with_bytes([(0x31, b"\x00")])
    lines = render_fit("a.bin", check_fit(SAMPLE, image)).split("\n")
    assert lines[:4] == [
        "a.bin: the layout fits",
        "  fields     7 of 8 decode",
        "  checksums  2 of 3 hold",
        "  bytes      251 of 512 explained (49 %)",
    ]
    assert "  - 1 of 3 checksums are wrong." in lines


@pytest.mark.parametrize("hostile", ["\x1b[31mred", "a\u202eb", "line\nline"])
def test_hostile_text_is_escaped(hostile: str) -> None:
    layout = Layout(
        name=hostile,
        chip=hostile,
        size=16,
        module=ModuleKind.OTHER,
        parts=(hostile,),
        regions=(Region(name=hostile, span=Span(0, 4), kind=RegionKind.STATE),),
    )
    text = render_layout(layout) + render_fit(hostile, check_fit(layout, Image.from_bytes(b"")))
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "line\nline" not in text


@given(
    width=st.integers(40, 120),
    base=st.sampled_from([0, 0x100, 0x0800_0000, 0xFFFF_0000]),
    size=st.integers(1, 0x10000),
    name=st.text(st.characters(min_codepoint=32, max_codepoint=126), min_size=1, max_size=150),
)
@settings(max_examples=60, deadline=None)
def test_no_line_is_wider_than_the_window(width: int, base: int, size: int, name: str) -> None:
    layout = Layout(
        name=name,
        chip=name,
        base=base,
        size=size,
        module=ModuleKind.OTHER,
        parts=(name, name),
        regions=(
            Region(name=name, span=Span(base, base + size), kind=RegionKind.STATE, copy_of=name),
        ),
    )
    lines = render_layout(layout, check_fit(layout, Image.from_bytes(b"")), width=width).split("\n")
    assert max(map(len, lines)) <= width
