"""What the maker's procedure must set: by name where a layout names it, never a protected byte."""

from __future__ import annotations

from memtool.core.finding import Verdict
from memtool.core.image import Image
from memtool.core.job.setup_list import find_setup
from memtool.core.span import Span
from memtool.formats.layout_toml.parsing import parse_layout
from memtool.render.values import setup_lines
from tests.build import LAYOUT, VEHICLE_VIN, module_memory

OPTIONS = bytes.fromhex("00112233445566778899aabbccddeeff")
BITS = LAYOUT.replace(
    'type = "bytes"\n',
    'type = "bits"\n\n[region.bits]\n"child lock" = "0"\nmarket = "7-4"\n',
)
ORIGINAL = Image.from_bytes(module_memory(VEHICLE_VIN, options=OPTIONS, starts=1))
DONOR = Image.from_bytes(module_memory(secret=b"another's secret"))


def test_a_field_is_listed_by_name_and_value_and_ticked_off() -> None:
    layout = parse_layout(LAYOUT)
    (item,) = find_setup(ORIGINAL, DONOR, layout)
    assert (item.name, item.span, item.result) == ("options", Span(0x30, 0x40), Verdict.NOT_CHECKED)
    assert setup_lines([item]) == ["options: 00 11 22 33 44 55 66 77 88 99 AA BB CC DD EE FF"]
    (item,) = find_setup(ORIGINAL, DONOR, layout, finished=ORIGINAL)
    assert item.result is Verdict.PASS
    (item,) = find_setup(ORIGINAL, DONOR, layout, finished=DONOR)
    assert item.result is Verdict.DECIDE


def test_of_named_bits_only_those_that_differ() -> None:
    layout = parse_layout(BITS)
    other = Image.from_bytes(module_memory(options=OPTIONS[:15] + b"\xfe"))
    (item,) = find_setup(ORIGINAL, other, layout)
    assert setup_lines([item]) == ["options: child lock 1"]
    # A bit that has no name: the bytes are told.
    other = Image.from_bytes(module_memory(options=b"\x80" + OPTIONS[1:]))
    (item,) = find_setup(ORIGINAL, other, layout)
    assert setup_lines([item])[0].startswith("options: 00 11 22")


def test_without_a_layout_places_and_counts_alone_and_no_vin() -> None:
    items = find_setup(ORIGINAL, DONOR, None)
    told = setup_lines(items)
    assert all(item.wanted is None for item in items)
    assert not any(item.span.overlaps(Span(0x10, 0x21)) for item in items)
    assert any("0x0031" in line for line in told)
    assert "61 6E" not in " ".join(told)


def test_what_any_layout_protects_is_not_told() -> None:
    hidden = [Span(0x30, 0x34), Span(0x80, 0x90)]
    (item,) = find_setup(ORIGINAL, DONOR, parse_layout(LAYOUT), hidden=hidden)
    assert item.wanted is None
    items = find_setup(ORIGINAL, DONOR, None, hidden=hidden)
    assert not any(item.span.overlaps(span) for item in items for span in hidden)


def test_equal_configuration_and_areas_not_read_are_no_matter() -> None:
    assert find_setup(ORIGINAL, ORIGINAL, parse_layout(LAYOUT)) == ()
    unread = [Span(0x30, 0x40)]
    assert find_setup(ORIGINAL, DONOR, parse_layout(LAYOUT), not_read=unread) == ()
