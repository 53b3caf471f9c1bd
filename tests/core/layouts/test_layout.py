"""Layouts: which region lies at an address, and what blank means there."""

from __future__ import annotations

import pytest

from memtool.core.layouts.layout import (
    BlankSource,
    Layout,
    ModuleKind,
    Region,
    RegionKind,
    compute_blank_bytes,
)
from memtool.core.span import Span


def region(
    name: str,
    start: int,
    length: int,
    *,
    kind: RegionKind = RegionKind.STATE,
    blank_to: BlankSource | bytes | None = None,
) -> Region:
    return Region(name=name, span=Span(start, start + length), kind=kind, blank_to=blank_to)


def layout(*regions: Region, base: int = 0, size: int = 64) -> Layout:
    return Layout(
        name="invented", chip="24C01", base=base, size=size, module=ModuleKind.BODY, regions=regions
    )


def test_region_at_finds_the_region_of_each_address_and_none_in_gaps() -> None:
    made = layout(region("b", 0x20, 4), region("a", 0x10, 2))
    names = {
        address: found.name
        for address in range(-1, 80)
        if (found := made.region_at(address)) is not None
    }
    assert names == {0x10: "a", 0x11: "a", 0x20: "b", 0x21: "b", 0x22: "b", 0x23: "b"}
    assert [found.name for found in made.regions] == ["a", "b"]


def test_gaps_are_what_no_region_explains() -> None:
    made = layout(region("a", 0x110, 0x10), base=0x100, size=0x40)
    assert made.gaps == (Span(0x100, 0x110), Span(0x120, 0x140))


def test_layout_refuses_regions_that_share_an_address() -> None:
    with pytest.raises(ValueError, match="'a' and 'b' overlap"):
        layout(region("a", 0, 4), region("b", 3, 4))


@pytest.mark.parametrize(
    ("blank_to", "expected"),
    [
        (None, b"\xff" * 4),
        (BlankSource.ERASED, b"\xff" * 4),
        (BlankSource.REFERENCE, None),
        (b"\x00", bytes(4)),
        (b"\x12\x34", b"\x12\x34\x12\x34"),
        (b"abcd", b"abcd"),
    ],
)
def test_blank_bytes_fill_the_span_exactly(
    blank_to: BlankSource | bytes | None, expected: bytes | None
) -> None:
    assert compute_blank_bytes(region("a", 0, 4, blank_to=blank_to), erased=0xFF) == expected


@pytest.mark.parametrize("pattern", [b"", b"abc", b"abcde"])
def test_blank_pattern_that_does_not_fill_is_refused(pattern: bytes) -> None:
    with pytest.raises(ValueError, match="do not fill"):
        compute_blank_bytes(region("a", 0, 4, blank_to=pattern), erased=0xFF)
