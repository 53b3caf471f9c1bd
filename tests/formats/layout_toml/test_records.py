"""``[[records]]`` in layout files: what is read, and every mistake with its line."""

from __future__ import annotations

import pytest

from memtool.core.layouts.record_rules import Counts, Covered, NewestBy
from memtool.core.layouts.region import RegionKind
from memtool.core.span import Span
from memtool.errors import LayoutError
from memtool.formats.layout_toml.parsing import parse_layout
from tests.stores.layouts import NVS, PAIRED

HEAD = """\
[layout]
name = "x"
chip = "64K"
size = 65536
module = "body"

"""
STORE = """\
[[records]]
name = "data flash"
span = "0x0000-0x3FFF"
record = 32
key = { at = 1, type = "u8" }
newest = { at = 2, type = "u16le", by = "highest" }
mark = { at = 0, valid = 0xA5 }
checksum = { algorithm = "CRC-16/XMODEM", covers = "0-29", at = 30, ORDER }
[[records.region]]
key = 7
name = "VIN"
span = "6+17"
kind = "vehicle-identity"
type = "vin"
""".replace("ORDER", 'byte_order = "little", when_blanked = "refresh"')


def test_store_of_equal_records_is_read() -> None:
    (rules,) = parse_layout(HEAD + STORE).records
    assert (rules.name, rules.span, rules.record) == ("data flash", Span(0, 0x4000), 32)
    assert rules.newest.by is NewestBy.HIGHEST
    assert [(place.at, place.size) for place in rules.key] == [(1, 1)]
    (checksum,) = rules.checksums
    assert (checksum.covers, checksum.at, checksum.size) == ((Span(0, 30),), 30, 2)
    (region,) = rules.regions
    assert region.keys == ((7,),)
    assert (region.region.span, region.region.kind) == (Span(6, 23), RegionKind.VEHICLE_IDENTITY)


def test_store_of_pages_entries_and_split_ranges_is_read() -> None:
    (rules,) = parse_layout(NVS.format(chip=16384, size=16384, namespace=2)).records
    assert rules.length is not None
    assert rules.length.counts is Counts.ENTRIES
    assert rules.checksums[0].covers == (Span(0, 4), Span(8, 32))
    assert rules.checksums[1].covers is Covered.VALUE
    assert rules.page is not None
    assert rules.page.marks is not None
    assert rules.page.checksum is not None
    assert rules.regions[0].keys == ((2, "vin"),)


def test_value_over_several_keys_is_read() -> None:
    (rules,) = parse_layout(PAIRED.format(size=2048, page=1024)).records
    (region,) = rules.regions
    assert region.keys == tuple((key,) for key in range(0x110, 0x119))


def test_length_of_a_payload_counts_what_lies_around_it() -> None:
    text = STORE.replace(
        "record = 32\n", 'length = { at = 4, type = "u16le", counts = "payload" }\n'
    )
    (rules,) = parse_layout(
        HEAD + text.replace("at = 30", "at = -2").replace('"0-29"', '"record"')
    ).records
    assert rules.length is not None
    assert rules.length.plus == 8  # six bytes before the payload, the checksum behind it


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("record = 32\n", "", "line 7: records 'data flash': the key 'record' is missing"),
        ("record = 32", "record = 0", "line 10: 'record' is 0, but must be at least 1"),
        ("record = 32", "records = 32", "unknown key 'records' (did you mean 'record'?)"),
        ('"0x0000-0x3FFF"', '"0x0000-0x1FFFF"', "line 9: records 'data flash': 0x0000-0x1FFFF is"),
        (
            'at = 1, type = "u8"',
            'at = 1, type = "vin"',
            "line 11: records 'data flash': type 'vin'",
        ),
        ('at = 1, type = "u8"', 'at = 1, type = "ascii"', "type 'ascii' needs a 'size'"),
        ('at = 1, type = "u8"', 'at = 40, type = "u8"', "'key' at 0x0028+1 is outside a record"),
        ("at = 1, ", "", "line 11: the required key 'at' is missing"),
        ('by = "highest"', 'by = "newest"', "line 12: by 'newest' is unknown"),
        ('at = 2, type = "u16le", by', "by", "by = \"highest\" needs 'at' and 'type'"),
        ("at = 2, type", "at = 1, type", "'newest' at 0x0001-0x0002 overlaps 'key'"),
        ("valid = 0xA5", "valid = []", "line 13: records 'data flash': 'valid' must be a number"),
        ("CRC-16/XMODEM", "CRC-16", "line 14: records 'data flash': 'CRC-16' does not name one"),
        ("CRC-16/XMODEM", "width=16", "poly, init, refin, refout, xorout is missing"),
        ('"0-29"', '"0-30"', "which touches its own field"),
        ('"0-29"', '"0-30"]', "not TOML"),
        ('"0-29"', "7", '\'covers\' must be "value", "record", a span or a list'),
        ("at = 30", "at = -1", "CRC-16/XMODEM takes 2 bytes, and at = -1 leaves 1"),
        (
            'when_blanked = "refresh"',
            'when_blanked = "reference"',
            "a checksum cannot come from it",
        ),
        ("key = 7", "", "line 15: region 'VIN': write 'key' for one key, or 'keys'"),
        ("key = 7", "key = 700", "line 16: region 'VIN': key 700 does not fit into u8"),
        ("key = 7", 'key = "7"', "'7' must be a number, as the key field at 1 is"),
        ("key = 7", "key = [7, 8]", "a key of 2 parts, but records have 1 key fields"),
        ("key = 7", "keys = [7, 8]", "'keys' needs 'value' of the store with a 'size'"),
        ('"6+17"', '"16+17"', "line 18: region 'VIN': 0x0010-0x0020 is outside a record"),
        ('"6+17"', '"2+17"', "overlaps 'newest' at 0x0002-0x0003"),
        ('"6+17"', '"6+16"', "type vin takes 17 bytes"),
        ('type = "vin"', 'type = "vin"\ncopy_of = "VIN"', "the records of a key are its copies"),
        ('name = "VIN"', 'name = "data flash"', "the name 'data flash' is taken by line 8"),
    ],
)
def test_mistake_is_named_with_its_line(old: str, new: str, says: str) -> None:
    assert old in STORE
    with pytest.raises(LayoutError) as caught:
        parse_layout(HEAD + STORE.replace(old, new, 1))
    assert says in "\n".join(f"line {fault.line}: {fault.text}" for fault in caught.value.faults)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("size = 4096", "size = 4095", "do not fill"),
        ("header = 64", "header = 60", "'marks' at 0x0020-0x003F is outside the 60 bytes"),
        ("header = 64", "header = 4096", "leaves no room"),
        ("bits = 2", "bits = 3", "marks have 1, 2, 4 or 8 bits"),
        ("valid = 2,", "valid = 4,", "valid = 4 does not fit into 2 bits"),
        ("sequence = { at = 4", "sequence = { at = 0", "overlaps 'sequence'"),
        ('counts = "entries"', 'counts = "record"', "with 'record' a length counts \"entries\""),
        ("record = 32", "", "a length in entries needs 'record'"),
        ("at = 32\nlength", "at = 32\nsize = 3\nlength", "'size' or 'length', not both"),
    ],
)
def test_mistake_in_pages_and_entries_is_named(old: str, new: str, says: str) -> None:
    text = NVS.format(chip=16384, size=16384, namespace=2)
    assert old in text
    with pytest.raises(LayoutError) as caught:
        parse_layout(text.replace(old, new))
    assert says in "\n".join(fault.text for fault in caught.value.faults)


def test_all_mistakes_are_named_at_once() -> None:
    text = STORE.replace("at = 1,", "").replace("valid = 0xA5", "valid = -1").replace("6+17", "x")
    with pytest.raises(LayoutError) as caught:
        parse_layout(HEAD + text)
    assert {fault.line for fault in caught.value.faults} == {11, 13, 18}


def test_store_takes_its_whole_span_for_itself() -> None:
    region = '[[region]]\nname = "a"\nspan = "0x0100+4"\nkind = "unused"\n'
    with pytest.raises(LayoutError, match="overlaps"):
        parse_layout(HEAD + STORE + region)
    assert parse_layout(HEAD + STORE + region.replace("0x0100", "0x4000")).records


def test_regions_of_one_key_share_no_byte() -> None:
    other = STORE[STORE.index("[[records.region]]") :].replace('"VIN"', '"b"')
    other = other.replace('type = "vin"\n', "").replace("6+17", "22+2")
    with pytest.raises(LayoutError, match="of the same key"):
        parse_layout(HEAD + STORE + other)
    assert parse_layout(HEAD + STORE + other.replace("key = 7", "key = 8")).records
