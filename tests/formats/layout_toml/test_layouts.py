"""Layout files: what is valid, and every mistake with its line, all at once."""

from __future__ import annotations

import hashlib
import re
import string
import tomllib
from pathlib import Path

import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.core.checksums.checksum import WhenBlanked
from memtool.core.layouts.layout import BitField, BlankSource, FieldType, ModuleKind, RegionKind
from memtool.core.span import Span
from memtool.errors import Fault, InputError, LayoutError, RefusalError, StoreError, UsageError
from memtool.formats.layout_toml.parsing import LARGEST_FILE, parse_layout
from memtool.store.layouts import add_to_library, default_layout_folder, read_layout, read_library
from tests.sample_layout import LAYOUT

HEAD = """\
[layout]
name = "small"
chip = "24C04"
size = 512
module = "body"
"""
REGION = """\
[[region]]
name = "a"
span = "0x0010+17"
kind = "state"
"""
CHECKSUM = """\
[[checksum]]
name = "sum"
algorithm = "SUM-8"
covers = ["0x0100-0x010F"]
stored = "0x0110+1"
when_blanked = "refresh"
"""


def faults_of(text: str) -> list[tuple[int | None, str, str]]:
    """(line, code, sentence) of everything that is wrong with `text`."""
    with pytest.raises(LayoutError) as caught:
        parse_layout(text)
    error = caught.value
    assert error.fault_count >= len(error.faults) > 0
    assert error.exit_status == 4
    assert (error.line, error.code) == (error.faults[0].line, error.faults[0].code)
    return [(fault.line, fault.code, fault.text) for fault in error.faults]


def test_sample_layout_is_read_as_it_is_written() -> None:
    layout = parse_layout(LAYOUT)
    assert (layout.name, layout.chip) == ("door zone controller, board T", "24C04")
    assert (layout.base, layout.size, layout.erased) == (0, 512, 0xFF)
    assert (layout.module, layout.parts) == (ModuleKind.BODY, ("DZ-41??-T*",))
    assert layout.reviewed
    assert [region.span.start for region in layout.regions] == sorted(
        region.span.start for region in layout.regions
    )
    inverted = layout.region_named("VIN, inverted")
    assert inverted is not None
    assert (inverted.span, inverted.kind) == (Span(0x30, 0x41), RegionKind.VEHICLE_IDENTITY)
    assert (inverted.type, inverted.stored_as) == (FieldType.VIN, "inverted")
    assert (inverted.copy_of, inverted.blank_to) == ("VIN, first", None)
    flags = layout.region_named("setup flags")
    assert flags is not None
    assert flags.bits == (
        BitField(name="VIN was written", high=7, low=7),
        BitField(name="tries", high=6, low=4),
        BitField(name="spare", high=3, low=0),
    )
    assert [
        region.blank_to
        for region in layout.regions
        if region.blank_to is not None and region.name != "VIN, first"
    ] == [b"\x0f", b"\x00\x01", BlankSource.REFERENCE]
    rule = layout.checksums[1]
    assert (rule.name, rule.algorithm) == ("equipment block", "CRC-32/ISO-HDLC")
    assert rule.covers == (Span(0xC0, 0xC8), Span(0xC8, 0xD0))
    assert (rule.stored, rule.byte_order) == (Span(0x104, 0x108), "little")
    assert (rule.total, rule.when_blanked) == (None, WhenBlanked.ERASE)


def test_checksum_fields_are_regions_by_themselves() -> None:
    layout = parse_layout(LAYOUT)
    region = layout.region_at(0x105)
    assert region is not None
    assert (region.name, region.kind) == ("equipment block", RegionKind.CHECKSUM)
    assert region.span == Span(0x104, 0x108)


def test_keys_that_may_be_left_out_have_their_defaults() -> None:
    layout = parse_layout(HEAD + REGION)
    assert (layout.base, layout.erased, layout.parts) == (0, 0xFF, ())
    assert not layout.reviewed
    region = layout.regions[0]
    assert (region.type, region.stored_as, region.copy_of) == (None, "plain", None)
    assert (region.blank_to, region.bits) == (None, ())


def test_names_of_algorithms_come_back_as_published() -> None:
    layout = parse_layout(HEAD + CHECKSUM.replace('"SUM-8"', '"sum8"'))
    assert layout.checksums[0].algorithm == "SUM-8"


@pytest.mark.parametrize("key", ["name", "chip", "size", "module"])
def test_layout_without_a_required_key_is_told_at_its_table(key: str) -> None:
    text = "".join(row for row in HEAD.splitlines(True) if not row.startswith(key))
    assert faults_of(text) == [(1, "layout-key-missing", f"the required key '{key}' is missing")]


@pytest.mark.parametrize("key", ["name", "span", "kind"])
def test_region_without_a_required_key_is_told_at_its_table(key: str) -> None:
    text = "".join(row for row in REGION.splitlines(True) if not row.startswith(key))
    assert faults_of(HEAD + text) == [
        (6, "layout-key-missing", f"the required key '{key}' is missing")
    ]


@pytest.mark.parametrize("key", ["name", "algorithm", "covers", "stored", "when_blanked"])
def test_checksum_without_a_required_key_is_told_at_its_table(key: str) -> None:
    text = "".join(row for row in CHECKSUM.splitlines(True) if not row.startswith(key))
    assert faults_of(HEAD + text) == [
        (6, "layout-key-missing", f"the required key '{key}' is missing")
    ]


HEAD_MISTAKES = [
    ("size = 512", "size = 0", 4, "layout-value", "must be at least 1"),
    ("size = 512", "size = 512.0", 4, "layout-value", "must be a whole number"),
    ("size = 512", "size = nan", 4, "layout-value", "must be a whole number, but is nan"),
    ("size = 512", "size = -inf", 4, "layout-value", "must be a whole number, but is -inf"),
    ("size = 512", "size = true", 4, "layout-value", "must be a whole number, but is true"),
    ("size = 512", 'size = "512"', 4, "layout-value", "but is the text '512'"),
    ("size = 512", f"size = 1{'0' * 300}", 4, "layout-value", "but is a huge number|at most"),
    ("size = 512", "size = 1024", 4, "layout-size", "a 24C04 holds 512 bytes"),
    ("size = 512", "size = 1979-05-27", 4, "layout-value", "must be a whole number"),
    ('"small"', '" "', 2, "layout-value", "is blank"),
    ('"small"', '""', 2, "layout-value", "is empty"),
    ('"small"', f'"{"x" * 300}"', 2, "layout-value", "longer than 200"),
    ('"small"', "[1]", 2, "layout-value", "must be text in quotes, but is a list"),
    ('"24C04"', '"24C05"', 3, "layout-chip-unknown", "did you mean '24C02' or '24C04' or '24C08'"),
    ('"24C04"', '"93Z77"', 3, "layout-chip-unknown", "no chip is known as '93Z77'"),
    ('"body"', '"bodi"', 5, "layout-module-unknown", "did you mean 'body'"),
    ('"body"', '"zzz"', 5, "layout-module-unknown", "write one of body, engine, .*other"),
    ('"body"', '"body"\nerased = 256', 6, "layout-value", "'erased' is 256, .* at most 255"),
    ('"body"', '"body"\nbase = -1', 6, "layout-value", "at least 0"),
    ('"body"', '"body"\nreviewed = 1', 6, "layout-value", "must be true or false, but is 1"),
    ('"body"', '"body"\nreviewed = "yes"', 6, "layout-value", "must be true or false"),
    ('"body"', '"body"\nparts = "A*"', 6, "layout-value", "must be a list"),
    ('"body"', '"body"\nparts = ["A", 5]', 6, "layout-value", "entry 2 must be text in quotes"),
    ('"body"', '"body"\nrevewed = true', 6, "layout-unknown-key", "did you mean 'reviewed'"),
]


@pytest.mark.parametrize(("old", "new", "line", "code", "words"), HEAD_MISTAKES)
def test_mistake_in_the_layout_table(old: str, new: str, line: int, code: str, words: str) -> None:
    _one_fault(HEAD.replace(old, new), line, code, words)


def _one_fault(text: str, line: int, code: str, words: str) -> None:
    (found,) = faults_of(text)
    assert found[:2] == (line, code), found
    assert re.search(words, found[2]), found[2]


REGION_MISTAKES = [
    ('"0x0010+17"', '"16"', 8, "layout-span", "'16' is not a span"),
    ('"0x0010+17"', '"0x20-0x10"', 8, "layout-span", "empty span"),
    ('"0x0010+17"', '"0x0010+0"', 8, "layout-span", "empty span"),
    ('"0x0010+17"', "16", 8, "layout-value", "must be text in quotes, but is 16"),
    ('"0x0010+17"', '"0x01F0+17"', 8, "layout-span-outside", "0x01F0-0x0200 is outside"),
    ('"0x0010+17"', '"0-0xFFFFFFFFFFFFFFFF"', 8, "layout-span-outside", "beyond 32 bits"),
    ('"state"', '"State"', 9, "layout-kind-unknown", "did you mean 'state'"),
    ('"state"', '"vin"', 9, "layout-kind-unknown", "kind 'vin' is unknown"),
    (
        '"state"',
        '"state"\ntype = "u16"',
        10,
        "layout-type-unknown",
        "did you mean 'u16be' or 'u16le'",
    ),
    ('"state"', '"state"\ntype = "u16be"', 8, "layout-length", "takes 2 bytes, but .* gives 17"),
    ('"state"', '"state"\ntype = "u8"', 8, "layout-length", "takes 1 byte, but"),
    ('"state"', '"state"\nstored_as = "plane"', 10, "layout-stored-form", "'plane'"),
    ('"state"', '"state"\nstored_as = "split"', 10, "layout-stored-form", "split"),
    ('"state"', '"state"\nstored_as = "inverted+plain"', 10, "layout-stored-form", "together"),
    (
        '"state"',
        '"state"\ntype = "vin"\nstored_as = "utf-16-be"',
        8,
        "layout-length",
        r"vin takes 17 bytes, but 0x0010-0x0020 \(17 bytes\) stored as utf-16-be gives 8",
    ),
    ('"state"', '"state"\ncopy_of = "A"', 10, "layout-copy-unknown", r"did you mean 'a'"),
    ('"state"', '"state"\ncopy_of = "a"', 10, "layout-copy-circle", "'a' is a copy of 'a'"),
    ('"state"', '"state"\nblank_to = 256', 10, "layout-blank-value", "0x00 to 0xFF"),
    ('"state"', '"state"\nblank_to = -1', 10, "layout-blank-value", "0x00 to 0xFF"),
    ('"state"', '"state"\nblank_to = "FFF"', 10, "layout-blank-value", "hex pattern"),
    ('"state"', '"state"\nblank_to = "0xFF"', 10, "layout-blank-value", "hex pattern"),
    ('"state"', '"state"\nblank_to = "00 01 02"', 10, "layout-blank-pattern", '"reference"'),
    ('"state"', '"state"\nblank_to = ""', 10, "layout-blank-value", "hex pattern"),
    ('"state"', '"state"\nblank_to = true', 10, "layout-value", "number or text"),
    ('"state"', '"state"\nblank_to = 1.5', 10, "layout-value", "number or text"),
    ('"state"', '"state"\nblank_to = "00 FF"', 10, "layout-blank-length", "of 2 bytes does not"),
    ('"state"', '"protected"\nblank_to = 0', 10, "layout-blank-forbidden", "protected is never"),
    (
        '"state"',
        '"module-identity"\nblank_to = "erased"',
        10,
        "layout-blank-forbidden",
        "module-identity is never blanked",
    ),
    ('"state"', '"code"\nblank_to = 0', 10, "layout-blank-forbidden", "code is never"),
    ('"state"', '"calibration"\nblank_to = 0', 10, "layout-blank-forbidden", "never"),
    ('"state"', '"checksum"\nblank_to = 0', 10, "layout-blank-forbidden", "never"),
    ('"state"', '"state"\ntype = "bits"', 10, "layout-bits", "belong together"),
    ('"state"', '"state"\nbits.x = "1"', 10, "layout-bits", "belong together"),
    ('"state"', '"state"\ntype = "bits"\nbits.x = "8-9"', 11, "layout-bits", "'8-9' names no bits"),
    ('"state"', '"state"\ntype = "bits"\nbits.x = 8', 11, "layout-value", "entry 'x' must be text"),
    ('"state"', '"state"\ntype = "bits"\nbits.x = "136"', 11, "layout-bits", "bits are 0 to 135"),
    (
        '"state"',
        '"state"\ntype = "bits"\n[region.bits]\nx = "7-4"\ny = "4"',
        13,
        "layout-bits",
        "'y' shares a bit with 'x'",
    ),
    ('"state"', '"state"\nSpan = 1', 10, "layout-unknown-key", "did you mean 'span'"),
]


@pytest.mark.parametrize(("old", "new", "line", "code", "words"), REGION_MISTAKES)
def test_mistake_in_a_region(old: str, new: str, line: int, code: str, words: str) -> None:
    _one_fault(HEAD + REGION.replace(old, new), line, code, words)


CHECKSUM_MISTAKES = [
    ('"SUM-8"', '"SUM-9"', 8, "layout-algorithm-unknown", "SUM-8"),
    ('"SUM-8"', '"CRC-16"', 8, "layout-algorithm-unknown", "which one is meant"),
    ('["0x0100-0x010F"]', "[]", 9, "layout-value", "'covers' is empty"),
    ('["0x0100-0x010F"]', '"0x0100-0x010F"', 9, "layout-value", "must be a list"),
    ('["0x0100-0x010F"]', '["0x0100-0x010F", 3]', 9, "layout-value", "entry 2 must be text"),
    ('["0x0100-0x010F"]', '["0x0100-0x0110"]', 6, "layout-checksum", "touches its own field"),
    ('["0x0100-0x010F"]', '["0-0x1F", "0x10-0x20"]', 6, "layout-checksum", "overlap"),
    ('["0x0100-0x010F"]', '["0x01F0-0x0200"]', 9, "layout-span-outside", "outside the layout"),
    ('"0x0110+1"', '"0x0200+1"', 10, "layout-span-outside", r"0x0200\+1 is outside"),
    ('"refresh"', '"refesh"', 11, "layout-when-blanked-unknown", "did you mean 'refresh'"),
    ('"refresh"', '"refresh"\nbyte_order = "BIG"', 12, "layout-byte-order-unknown", "'big'"),
    ('"refresh"', '"refresh"\nbyte_order = "x"', 12, "layout-byte-order-unknown", "big or little"),
    ('"refresh"', '"refresh"\nbyte_order = 1', 12, "layout-value", "must be text"),
    ('"refresh"', '"refresh"\ntotal = 0', 6, "layout-checksum", "total belongs to"),
    ('"refresh"', '"refresh"\ntotal = -1', 12, "layout-value", "at least 0"),
    ('"SUM-8"', '"SUM-8/TOTAL"', 6, "layout-checksum", "must include the field"),
]


@pytest.mark.parametrize(("old", "new", "line", "code", "words"), CHECKSUM_MISTAKES)
def test_mistake_in_a_checksum(old: str, new: str, line: int, code: str, words: str) -> None:
    _one_fault(HEAD + CHECKSUM.replace(old, new), line, code, words)


def test_checksum_field_of_another_length_than_the_value_is_told() -> None:
    text = HEAD + CHECKSUM.replace("SUM-8", "SUM-16")
    _one_fault(text, 6, "layout-checksum", "SUM-16 is stored in 2 bytes, but the field is 0x0110")


def test_field_of_several_bytes_needs_its_byte_order() -> None:
    text = HEAD + CHECKSUM.replace("SUM-8", "SUM-16").replace("+1", "+2")
    _one_fault(text, 6, "layout-key-missing", "'byte_order' is missing")


def test_regions_that_overlap_are_told_at_the_later_one() -> None:
    second = REGION.replace('"a"', '"b"').replace("0x0010+17", "0x0020+4")
    text = "region 'b' at 0x0020-0x0023 overlaps region 'a' at 0x0010-0x0020 (line 8)"
    assert faults_of(HEAD + REGION + second) == [(12, "layout-overlap", text)]


def test_region_over_a_checksum_field_is_an_overlap() -> None:
    text = HEAD + CHECKSUM + REGION.replace("0x0010+17", "0x0110+1")
    (fault,) = faults_of(text)
    assert fault[:2] == (14, "layout-overlap")
    assert "overlaps checksum 'sum' at 0x0110+1 (line 10)" in fault[2]


def test_each_region_inside_a_large_one_is_told() -> None:
    inside = "".join(
        REGION.replace('"a"', f'"in {start}"').replace("0x0010+17", f"{start}+1")
        for start in (20, 22, 24)
    )
    assert [fault[0] for fault in faults_of(HEAD + REGION + inside)] == [12, 16, 20]


def test_name_used_twice_is_told_with_the_first_line() -> None:
    text = HEAD + REGION + CHECKSUM.replace('"sum"', '"a"')
    assert faults_of(text) == [(11, "layout-name-taken", "the name 'a' is taken by line 7")]


def test_copies_in_a_circle_are_named() -> None:
    a = REGION + 'copy_of = "b"\n'
    b = REGION.replace('"a"', '"b"').replace("0x0010", "0x0040") + 'copy_of = "a"\n'
    c = REGION.replace('"a"', '"c"').replace("0x0010", "0x0060") + 'copy_of = "a"\n'
    (fault,) = faults_of(HEAD + c + a + b)
    assert fault[1] == "layout-copy-circle"
    assert fault[2] == "regions are copies in a circle: 'a' is a copy of 'b' is a copy of 'a'"


def test_copy_of_another_length_is_told() -> None:
    b = REGION.replace('"a"', '"b"').replace("0x0010+17", "0x0040+16") + 'copy_of = "a"\n'
    _one_fault(HEAD + REGION + b, 14, "layout-copy-length", "holds 16 bytes, but 'a' holds 17")


def test_copy_is_compared_with_its_stored_form_undone() -> None:
    b = REGION.replace('"a"', '"b"').replace("0x0010+17", "0x0040+34")
    layout = parse_layout(HEAD + REGION + b + 'copy_of = "a"\nstored_as = "utf-16-le"\n')
    assert layout.regions[1].copy_of == "a"


def test_copy_of_a_protected_region_must_be_protected() -> None:
    a = REGION.replace('"state"', '"protected"')
    b = REGION.replace('"a"', '"b"').replace("0x0010", "0x0040") + 'copy_of = "a"\n'
    _one_fault(HEAD + a + b, 14, "layout-copy-protected", "must be protected too")


def test_checksums_that_cover_each_other_are_named() -> None:
    first = CHECKSUM.replace("0x0100-0x010F", "0x0120-0x0120")
    second = CHECKSUM.replace('"sum"', '"other"').replace("0x0100-0x010F", "0x0110-0x0110")
    text = HEAD + first + second.replace('stored = "0x0110', 'stored = "0x0120')
    (fault,) = faults_of(text)
    assert fault[:2] == (9, "layout-checksum-circle")
    assert "'sum' covers the field of 'other' covers the field of 'sum'" in fault[2]


def test_every_mistake_of_a_file_is_told_at_once_in_order_of_lines() -> None:
    text = (
        HEAD.replace("size = 512", "size = 4096").replace('"body"', '"bdy"')
        + REGION.replace('"state"', '"stat"\ntype = "vim"\ncolour = "red"')
        + REGION.replace("0x0010", "0x10O0")
        + CHECKSUM.replace("SUM-8", "SUM-7").replace("refresh", "later")
    )
    assert [fault[:2] for fault in faults_of(text)] == [
        (4, "layout-size"),
        (5, "layout-module-unknown"),
        (9, "layout-kind-unknown"),
        (10, "layout-type-unknown"),
        (11, "layout-unknown-key"),
        (13, "layout-name-taken"),
        (14, "layout-span"),
        (18, "layout-algorithm-unknown"),
        (21, "layout-when-blanked-unknown"),
    ]


def test_twenty_mistakes_are_listed_and_all_are_counted() -> None:
    with pytest.raises(LayoutError) as caught:
        parse_layout(HEAD + "".join(f"wrong{number} = 1\n" for number in range(57)))
    assert (len(caught.value.faults), caught.value.fault_count) == (20, 57)
    assert [fault.line for fault in caught.value.faults] == list(range(6, 26))


@pytest.mark.parametrize(
    ("text", "line", "code"),
    [
        ("", 1, "layout-key-missing"),
        ("# nothing\n", 1, "layout-key-missing"),
        ("layout = 5\n", 1, "layout-key-missing"),
        ("[[layout]]\nname = 1\n", 1, "layout-key-missing"),
        (HEAD + "\n[region]\nname = 'a'\n", 7, "layout-value"),
        (HEAD + "\n[[regions]]\nname = 'a'\n", 7, "layout-unknown-key"),
        ("region = [1]\n" + HEAD, 1, "layout-value"),
        (HEAD + "name = 'again'\n", 6, "layout-syntax"),
        ('[layout]\nname = "open\n', 2, "layout-syntax"),
        ("[layout]\nname = \n", 2, "layout-syntax"),
        ("[layout]\nname = 'a' 'b'\n", 2, "layout-syntax"),
        ("[layout]\nsize = 0x\n", 2, "layout-syntax"),
        ("[layout]\n\n\x00", 3, "layout-syntax"),
        ("[layout]\nname = [\n", 3, "layout-syntax"),
        (f"[layout]\nsize = 1{'0' * 3990}\n", 2, "layout-value"),
        (f"[layout]\nname = '{'x' * 4000}'\n", 2, "layout-line-length"),
    ],
)
def test_text_that_is_no_layout_is_told_with_its_line(text: str, line: int, code: str) -> None:
    found = faults_of(text)
    assert (line, code) in [fault[:2] for fault in found]


def test_values_nested_too_deeply_are_a_fault_of_the_file() -> None:
    (fault,) = faults_of("a = " + "[\n" * 100_000)
    assert fault[1] == "layout-nesting"


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("a.b.c.d.e = 1\n", 1),
        ("[layout]\n\n a . b\t. c.d . e = 1\n", 3),
        ('"a".b."c".d.e = 1\n', 1),
        ("[[a.b.c.d.e]]\n", 1),
        ("x = [\n1,\n{a.b = 1, a.b.c.d.e = 2}]\n", 3),
        ("\n".join(f"k{number}.{'a.' * 1900}a = 1" for number in range(200)), 1),
    ],
)
def test_key_of_more_than_four_parts_is_told_with_its_line(text: str, line: int) -> None:
    (fault,) = faults_of(text)
    assert fault[:2] == (line, "layout-nesting")


def test_dots_that_are_no_part_of_a_key_make_it_no_deeper() -> None:
    text = (
        HEAD
        + '"a.b.c.d.e" = 1\nf = [1.5, 2.5, 3.5, 4.5, 5.5]\na.b.c.d = "1.2.3.4.5.6" # a.b.c.d.e\n'
    )
    assert {fault[1] for fault in faults_of(text)} == {"layout-unknown-key"}


def test_a_controllers_memory_is_a_chip_by_its_size_alone() -> None:
    text = HEAD.replace("24C04", "1m").replace("512", "1000000")
    assert parse_layout(text).chip == "1m"
    (fault,) = faults_of(text.replace("1000000", "0x100001"))
    assert "a memory of 1M holds 1048576 bytes" in fault[2]


@pytest.mark.parametrize("name", ["24c0Z", "95l60", "MCU/D-flash", "x/../../../evil", "flash"])
def test_no_other_name_is_a_chip(name: str) -> None:
    (fault,) = faults_of(HEAD.replace("24C04", name))
    assert fault[:2] == (3, "layout-chip-unknown")
    assert f"no chip is known as '{name}'" in fault[2]


def test_read_layout_names_file_and_line(tmp_path: Path) -> None:
    path = tmp_path / "bad.toml"
    path.write_text(HEAD.replace("512", "'512'"), encoding="utf-8")
    with pytest.raises(LayoutError) as caught:
        read_layout(path)
    assert (caught.value.file, caught.value.line) == (str(path), 4)
    assert str(caught.value).startswith(f"{path}:4: 'size' must be a whole number")


def test_read_layout_gives_the_digest_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "good.toml"
    path.write_bytes(LAYOUT.encode())
    loaded = read_layout(path)
    assert loaded.layout == parse_layout(LAYOUT)
    assert loaded.sha256 == hashlib.sha256(LAYOUT.encode()).hexdigest()


@pytest.mark.parametrize(
    ("data", "line", "words"),
    [
        (b"\xef\xbb\xbf[layout]\n", 1, "byte order mark"),
        (b"[layout]\nname = '\xe4'\n", 2, "0xe4 is not UTF-8"),
        (b"\x00\xff\x00\xff", 1, "0xff is not UTF-8"),
    ],
)
def test_file_that_is_not_utf_8_is_told_with_its_line(
    tmp_path: Path, data: bytes, line: int, words: str
) -> None:
    path = tmp_path / "bad.toml"
    path.write_bytes(data)
    with pytest.raises(LayoutError, match=words) as caught:
        read_layout(path)
    assert (caught.value.file, caught.value.line) == (str(path), line)


def test_file_of_more_than_a_mebibyte_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "large.toml"
    path.write_bytes(b"#" * (LARGEST_FILE + 1))
    with pytest.raises(InputError):
        read_layout(path)


def test_missing_file_is_wrong_usage(tmp_path: Path) -> None:
    with pytest.raises(UsageError):
        read_layout(tmp_path / "none.toml")


def test_library_gives_sound_layouts_and_tells_of_broken_ones(tmp_path: Path) -> None:
    (tmp_path / "b.toml").write_text(LAYOUT, encoding="utf-8")
    (tmp_path / "a.toml").write_text(HEAD, encoding="utf-8")
    (tmp_path / "c.toml").write_text(HEAD.replace("512", "1"), encoding="utf-8")
    (tmp_path / "broken.toml").write_text("[layout\n", encoding="utf-8")
    (tmp_path / "folder.toml").mkdir()
    (tmp_path / "notes.txt").write_text("no layout", encoding="utf-8")
    library = read_library(tmp_path)
    assert [Path(item.path).name for item in library.layouts] == ["a.toml", "b.toml", "c.toml"]
    assert [Path(error.file or "").name for error in library.broken] == [
        "broken.toml",
        "folder.toml",
    ]


def test_library_folder_that_is_not_there_is_empty(tmp_path: Path) -> None:
    library = read_library(tmp_path / "none")
    assert (library.layouts, library.broken) == ((), ())


def test_library_folder_that_is_a_file_is_wrong_usage(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_text("", encoding="utf-8")
    with pytest.raises(UsageError, match="cannot be listed"):
        read_library(path)


def test_add_copies_the_very_bytes_and_never_overwrites(tmp_path: Path) -> None:
    source, folder = tmp_path / "door.toml", tmp_path / "new" / "layouts"
    source.write_bytes(LAYOUT.encode())
    added = add_to_library(source, folder)
    assert Path(added.path) == folder / "door.toml"
    assert (folder / "door.toml").read_bytes() == LAYOUT.encode()
    source.write_bytes(LAYOUT.replace("board T", "board U").encode())
    with pytest.raises(RefusalError) as caught:
        add_to_library(source, folder)
    assert caught.value.code == "output-exists"
    assert (folder / "door.toml").read_bytes() == LAYOUT.encode()


def test_add_refuses_a_broken_layout_and_writes_nothing(tmp_path: Path) -> None:
    source, folder = tmp_path / "door.toml", tmp_path / "layouts"
    source.write_text("[layout]\n", encoding="utf-8")
    with pytest.raises(LayoutError):
        add_to_library(source, folder)
    assert not folder.exists()


def test_layout_folder_follows_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BENCHIMAGE_LAYOUTS", str(tmp_path))
    assert default_layout_folder() == tmp_path
    monkeypatch.delenv("BENCHIMAGE_LAYOUTS")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    assert default_layout_folder().parts[-2:] == ("benchimage", "layouts")


# Fuzz: whatever the text, a layout or a LayoutError whose lines are lines of the text.

KEYS = st.sampled_from(
    ["x", "total", *re.findall(r"^([a-z_]+) =", LAYOUT, re.MULTILINE)],
)
WORDS = st.sampled_from(
    [*re.findall(r'"([^"\n]*)"', LAYOUT), "0x10+17", "0x40+1", "0-4294967296", "utf-16-le"]
)
VALUES = st.recursive(
    st.one_of(
        WORDS,
        st.text(max_size=8),
        st.integers(-(1 << 70), 1 << 70),
        st.floats(),
        st.booleans(),
        st.dates(),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.one_of(KEYS, st.text(max_size=5)), inner)
    ),
    max_leaves=4,
)
TABLES = st.dictionaries(KEYS, VALUES, max_size=6)
FILES = st.fixed_dictionaries(
    {},
    optional={
        "layout": st.one_of(st.just(tomllib.loads(HEAD)["layout"]), TABLES, VALUES),
        "region": st.one_of(st.lists(TABLES, max_size=4), VALUES),
        "checksum": st.one_of(st.lists(TABLES, max_size=3), VALUES),
    },
)


def check_ends_in_a_layout_or_in_faults(text: str) -> None:
    faults: tuple[Fault, ...] = ()
    layout = None
    try:
        layout = parse_layout(text)
    except LayoutError as error:
        faults = error.faults
    assert (layout is None) is bool(faults)
    for fault in faults:
        assert fault.line is None or 1 <= fault.line <= text.count("\n") + 1, fault
        assert fault.text
        assert not fault.text.endswith(".")
        assert len(fault.text) < 600
    if layout is not None:
        assert all(layout.span.contains(region.span) for region in layout.regions)


@settings(max_examples=300, deadline=None)
@given(FILES)
def test_fuzzed_tables_end_in_a_layout_or_in_faults(data: dict[str, object]) -> None:
    check_ends_in_a_layout_or_in_faults(tomlkit.dumps(data))


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=80))
def test_fuzzed_text_ends_in_faults(text: str) -> None:
    check_ends_in_a_layout_or_in_faults(text)


@settings(max_examples=250, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(0, len(LAYOUT) - 1),
            st.integers(0, 12),
            st.text(string.printable, max_size=4),
        ),
        min_size=1,
        max_size=4,
    )
)
def test_fuzzed_changes_of_a_sound_file_end_in_a_layout_or_in_faults(
    changes: list[tuple[int, int, str]],
) -> None:
    text = LAYOUT
    for place, gone, new in changes:
        text = text[:place] + new + text[place + gone :]
    check_ends_in_a_layout_or_in_faults(text)


def test_blank_name_is_a_fault_of_its_own() -> None:
    assert faults_of(HEAD + REGION.replace('"a"', '"  "')) == [
        (7, "layout-value", "region '  ': 'name' is blank")
    ]


def test_list_of_too_many_entries_is_told_once() -> None:
    parts = ", ".join(['"a"'] * 1001)
    text = HEAD.replace('module = "body"', f"parts = [\n{parts.replace(', ', chr(10) + ', ')}]")
    assert (5, "layout-value", "'parts' has more than 1000 entries") in faults_of(text)


def test_more_tables_than_a_layout_has_are_told_by_their_number() -> None:
    assert faults_of(HEAD + "[[region]]\n" * 5001) == [
        (6, "layout-value", "5001 tables [[region]] are more than 5000")
    ]


def test_bits_of_a_misspelt_type_are_not_told_twice() -> None:
    region = REGION.replace("+17", "+1") + 'type = "bit"\n[region.bits]\none = "0"\n'
    assert [code for _, code, _ in faults_of(HEAD + region)] == ["layout-type-unknown"]


@pytest.mark.parametrize(
    ("form", "lengths"),
    [("plain", [17]), ("swapped-16", [17, 18]), ("swapped-32", [17, 18, 19, 20])],
)
def test_vin_in_swapped_words_may_fill_its_last_word(form: str, lengths: list[int]) -> None:
    fitting = []
    for length in range(14, 24):
        region = REGION.replace("+17", f"+{length}").replace('"state"', '"vehicle-identity"')
        text = HEAD + region + f'type = "vin"\nstored_as = "{form}"\n'
        try:
            fitting.append(len(parse_layout(text).regions[0].span))
        except LayoutError as error:
            assert error.code == "layout-length"  # noqa: PT017 - some of the lengths fit
    assert fitting == lengths


def test_stored_form_of_another_type_is_told_once() -> None:
    region = REGION.replace('"state"', '"state"\ntype = "vin"') + "stored_as = 3\n"
    assert faults_of(HEAD + region) == [
        (11, "layout-value", "'stored_as' must be text in quotes, but is 3")
    ]


def test_field_that_is_too_long_for_its_stored_form_is_refused() -> None:
    large = HEAD.replace('"24C04"', '"1M"').replace("512", "0x100000")
    region = REGION.replace("+17", "+513") + 'stored_as = "inverted"\n'
    assert faults_of(large + region) == [
        (
            8,
            "layout-length",
            "region 'a': stored as inverted, a field has 512 bytes at most",
        )
    ]


def test_layout_that_vanishes_while_the_library_is_read_is_left_out(tmp_path: Path) -> None:
    (tmp_path / "here.toml").write_text(HEAD + REGION)
    (tmp_path / "gone.toml").symlink_to(tmp_path / "taken away")
    library = read_library(tmp_path)
    assert [Path(loaded.path).name for loaded in library.layouts] == ["here.toml"]
    assert library.broken == ()


def test_library_folder_that_cannot_be_made_is_refused(tmp_path: Path) -> None:
    (tmp_path / "small.toml").write_text(HEAD + REGION)
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="not written: ") as caught:
        add_to_library(tmp_path / "small.toml", tmp_path / "file" / "layouts")
    assert caught.value.file == str(tmp_path / "file" / "layouts")


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        ("true", "true"),
        ("[1]", "a list"),
        ("{a = 1}", "a table"),
        ("0.5", "0.5"),
        (f"0x{'F' * 16}", str((1 << 64) - 1)),
        (f"0x1{'0' * 16}", "a huge number"),
        (f"0x{'F' * 40}", "a huge number"),
    ],
)
def test_wrong_value_is_shown_in_few_words(value: str, shown: str) -> None:
    text = HEAD.replace('"small"', value)
    wanted = f"'name' must be text in quotes, but is {shown}"
    assert (2, "layout-value", wanted) in faults_of(text)


@pytest.mark.parametrize(
    ("length", "shown"), [(40, "k" * 40), (41, "k" * 40 + "..."), (90, "k" * 40 + "...")]
)
def test_long_key_and_long_text_are_cut(length: int, shown: str) -> None:
    key = f"{'k' * length} = 1\n"
    assert (1, "layout-unknown-key", f"unknown key '{shown}'") in faults_of(key + HEAD)
    text = HEAD.replace("512", f'"{"k" * length}"')
    wanted = f"'size' must be a whole number, but is the text '{shown}'"
    assert (4, "layout-value", wanted) in faults_of(text)


def test_only_the_wrong_entry_of_a_list_is_told() -> None:
    parts = HEAD + 'parts = ["a", 5, "c", ""]\n'
    assert faults_of(parts) == [
        (6, "layout-value", "'parts' entry 2 must be text in quotes, but is 5"),
        (6, "layout-value", "'parts' has an empty entry"),
    ]
    assert faults_of(HEAD + "parts = 5\n") == [
        (6, "layout-value", "'parts' must be a list, but is 5")
    ]


@pytest.mark.parametrize("value", ["0.5", "true", "[1]"])
def test_blank_value_of_another_type_is_told_once(value: str) -> None:
    """It may be a number or a text, and a library would tell of both."""
    faults = faults_of(HEAD + REGION + f"blank_to = {value}\n")
    assert len(faults) == 1
    assert faults[0][:2] == (10, "layout-value")
    assert "must be a number or text in quotes" in faults[0][2]


def test_table_without_a_name_is_told_by_its_number() -> None:
    text = HEAD + REGION + REGION.replace('name = "a"\n', "").replace("0x0010", "0x0F10")
    told = [sentence for _, _, sentence in faults_of(text)]
    assert "the required key 'name' is missing" in told
    assert any(sentence.startswith("region number 2: ") for sentence in told)


@pytest.mark.parametrize("covers", ['["rubbish"]', '["rubbish", "0x0100-0x010F"]', "[5]", "[]"])
def test_total_over_a_wrong_span_is_not_told_to_miss_its_field(covers: str) -> None:
    """The wrong entry may be the one that was to hold the field."""
    text = CHECKSUM.replace('["0x0100-0x010F"]', covers).replace("SUM-8", "SUM-8/TOTAL")
    assert len(faults_of(HEAD + text + "total = 0\n")) == 1


def test_names_are_guessed_for_the_first_two_hundred_faults_alone() -> None:
    """Comparing takes time; the checksum comes first in the file and is judged last."""
    wrong = CHECKSUM.replace("byte_order", "x").replace("algorithm", "algoritm")
    for count, guessed in ((50, True), (199, True), (250, False)):
        regions = "".join(
            f'[[region]]\nname = "r{n}"\nspan = "0x{n:04X}+1"\nkind = "sttae"\n'
            for n in range(count)
        )
        first = faults_of(HEAD.replace("512", "0x1000").replace("24C04", "64K") + wrong + regions)
        assert any("did you mean 'algorithm'" in text for _, _, text in first[:2]) is guessed


def test_copy_of_itself_is_told_as_a_circle_alone() -> None:
    text = HEAD + REGION + 'copy_of = "a"\n'
    assert [code for _, code, _ in faults_of(text)] == ["layout-copy-circle"]


def test_span_up_to_the_last_address_of_32_bits_is_judged_by_the_layout() -> None:
    large = HEAD.replace("24C04", "64K").replace("size = 512", "base = 0xFFFFFF00\nsize = 256")
    last = REGION.replace("0x0010+17", "0xFFFFFFFF+1")
    assert parse_layout(large + last).regions[0].span == Span(0xFFFFFFFF, 1 << 32)
    for outside in ("0xFFFFFFFF+2", "0x100000000+1"):
        faults = faults_of(large + REGION.replace("0x0010+17", outside))
        assert [code for _, code, _ in faults] == ["layout-span-outside"]
        assert "beyond 32 bits" in faults[0][2]


def test_field_of_the_greatest_length_has_a_stored_form() -> None:
    large = HEAD.replace('"24C04"', '"1M"').replace("512", "0x1000")
    region = REGION.replace("+17", "+512") + 'stored_as = "inverted"\n'
    assert len(parse_layout(large + region).regions[0].span) == 512


@pytest.mark.parametrize("value", [0, 255])
def test_blank_byte_may_be_any_byte(value: int) -> None:
    layout = parse_layout(HEAD + REGION + f"blank_to = {value}\n")
    assert layout.regions[0].blank_to == bytes([value])


@pytest.mark.parametrize(
    ("one", "two", "shared"),
    [("7-4", "4-2", True), ("7-4", "3-0", False), ("5", "5", True), ("5", "4", False)],
)
def test_bits_that_two_names_claim_are_told(one: str, two: str, shared: bool) -> None:
    bits = f'type = "bits"\n[region.bits]\none = "{one}"\ntwo = "{two}"\n'
    text = HEAD + REGION.replace("+17", "+1") + bits
    if shared:
        assert [sentence for _, _, sentence in faults_of(text)] == [
            "region 'a': 'two' shares a bit with 'one'"
        ]
    else:
        assert len(parse_layout(text).regions[0].bits) == 2


def test_length_is_told_with_the_stored_form_where_there_is_one() -> None:
    region = REGION.replace('"state"', '"vehicle-identity"').replace("+17", "+16")
    wanted = "region 'a': type vin takes 17 bytes, but 0x0010-0x001F (16 bytes){} gives 16"
    text = HEAD + region + 'type = "vin"\n'
    assert faults_of(text)[0][2] == wanted.format("")
    assert faults_of(text + 'stored_as = "inverted"\n')[0][2] == wanted.format(
        " stored as inverted"
    )


@pytest.mark.parametrize(("before", "line"), [("", 1), ("a = 1\n", 2), ("a = 1\n\n", 3)])
def test_byte_that_is_no_utf_8_is_told_with_its_line(
    tmp_path: Path, before: str, line: int
) -> None:
    path = tmp_path / "l.toml"
    path.write_bytes(before.encode() + b"b = '\xff'\n")
    with pytest.raises(LayoutError, match="byte 0xff is not UTF-8 text") as caught:
        read_layout(path)
    assert [fault.line for fault in caught.value.faults] == [line]
