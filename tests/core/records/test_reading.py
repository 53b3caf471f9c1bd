"""Stores of records read by a layout: every key, value, and which record counts."""

from __future__ import annotations

import random

import pytest

from memtool.core.image import Image
from memtool.core.records.reading import read_store
from memtool.core.records.store import RecordStore, Standing
from memtool.formats.layout_toml.parsing import parse_layout
from tests.build import DONOR_VIN, VEHICLE_VIN
from tests.stores import nvs, paired_pages
from tests.stores.layouts import NVS, PAIRED

PAGES = 4
NVS_LAYOUT = parse_layout(NVS.format(chip=PAGES * nvs.PAGE, size=PAGES * nvs.PAGE, namespace=2))


def read_nvs(image: bytes) -> RecordStore:
    return read_store(Image.from_bytes(image), NVS_LAYOUT.records[0])


def test_stores_are_read_as_an_independent_parser_reads_them() -> None:
    # `tests/bench/measure_records.py` does the same with 200 images.
    for seed in range(40):
        own = random.Random(seed)
        image = nvs.module_image(
            [VEHICLE_VIN, DONOR_VIN][: own.randrange(1, 3)],
            seed=seed,
            family=seed // 3,
            pages=PAGES,
            writes=own.randrange(20, 400),
        )
        expected = nvs.read_items(image)
        store = read_nvs(image)
        assert [(record.span.start, record.key) for record in store.records] == [
            (item.address, (item.namespace, item.key, item.chunk, item.type)) for item in expected
        ]
        assert {record.span.start for record in store.newest} == {
            item.address for item in nvs.newest_of(expected).values()
        }
        assert all(checksum.holds for checksum in store.checksums)
        values = {item.address: item.value for item in expected if item.type in (0x21, 0x42)}
        assert {
            record.span.start: image[record.value.start : record.value.end]
            for record in store.records
            if record.value is not None
        } == values


@pytest.mark.parametrize("cut_off", [False, True], ids=["at rest", "copying was cut off"])
def test_pages_of_pairs_are_read_as_an_independent_parser_reads_them(cut_off: bool) -> None:
    layout = parse_layout(PAIRED.format(size=2048, page=1024))
    for seed in range(40):
        image = paired_pages.module_image(
            [VEHICLE_VIN, DONOR_VIN], seed=seed, writes=40 + 4 * seed, cut_off=cut_off
        )
        expected = paired_pages.read_pairs(image, 1024)
        store = read_store(Image.from_bytes(image), layout.records[0])
        assert [(record.span.start, record.key) for record in store.records] == [
            (pair.address, (pair.key,)) for pair in expected
        ]
        assert {record.span.start for record in store.newest} == {
            pair.address for pair in paired_pages.newest_of(expected).values()
        }


def test_free_space_begins_where_the_next_record_is_written() -> None:
    store = nvs.Store(PAGES)
    store.write_text("vehicle", "vin", DONOR_VIN)
    before = bytes(store.data)
    store.write_text("vehicle", "vin", VEHICLE_VIN)
    assert read_nvs(before).free_start == nvs.read_items(bytes(store.data))[-1].address


def test_record_that_was_cut_off_never_counts() -> None:
    store = nvs.Store(PAGES)
    store.write_text("vehicle", "vin", VEHICLE_VIN)
    good = nvs.read_items(bytes(store.data))[-1]
    # The power fails before the new text is written whole, and before the old is withdrawn.
    store._put(1, "vin", nvs.TEXT, nvs.ANY_CHUNK, nvs._sized(DONOR_VIN.encode() + b"\0"), b"1M8")
    found = read_nvs(bytes(store.data))
    assert [each.span.start for each in found.newest if each.key[1] == "vin"] == [good.address]
    assert found.records[-1].standing is Standing.BROKEN


COUNTED = """\
[layout]
name = "counted"
chip = "256"
size = 256
module = "body"

[[records]]
name = "log"
span = "0x0000-0x00FF"
record = 16
key = { at = 1, type = "u8" }
newest = { at = 2, type = "u8", by = "highest" }
mark = { at = 0, valid = 0xA5 }
checksum = { algorithm = "SUM-8", covers = "0-14", at = 15, when_blanked = "refresh" }
"""


def counted(rows: list[tuple[int, int, int]]) -> bytes:
    """Records of 16 bytes of (mark, key, number), and free space behind them."""
    data = b""
    for mark, key, number in rows:
        record = bytes([mark, key, number]) + b"value of 12."
        data += record + bytes([sum(record) & 0xFF])
    return data.ljust(256, b"\xff")


def test_highest_number_counts_wherever_it_lies_and_wraps_around() -> None:
    rules = parse_layout(COUNTED).records[0]
    image = counted([(0xA5, 7, 1), (0xA5, 7, 254), (0xA5, 7, 255), (0xA5, 9, 3), (0x00, 9, 4)])
    store = read_store(Image.from_bytes(image), rules)
    # Number 1 follows 255; the record that is marked as withdrawn does not count.
    assert {record.key: record.span.start for record in store.newest} == {(7,): 0, (9,): 48}
    assert store.free_start == 80


LENGTHS = """\
[layout]
name = "lengths"
chip = "256"
size = 256
module = "body"

[[records]]
name = "log"
span = "0x0000-0x00FF"
length = { at = 1, type = "u8", counts = "payload", align = 4 }
key = { at = 0, type = "u8" }
newest = { by = "position" }
checksum = { algorithm = "XOR-8", covers = "record", at = -1, when_blanked = "refresh" }
"""


def test_records_with_lengths_lie_behind_each_other_aligned() -> None:
    data = b""
    for key, payload in ((1, b"abc"), (2, b"defghij"), (1, b"klmno")):
        record = bytes([key, len(payload)]) + payload
        total = 0
        for byte in record:
            total ^= byte
        data += (record + bytes([total])).ljust(-(-(len(record) + 1) // 4) * 4, b"\xff")
    store = read_store(Image.from_bytes(data.ljust(256, b"\xff")), parse_layout(LENGTHS).records[0])
    assert [(record.key, record.standing) for record in store.records] == [
        ((1,), Standing.OLD),
        ((2,), Standing.NEWEST),
        ((1,), Standing.NEWEST),
    ]
    values = [record.value for record in store.records]
    assert [data[each.start : each.end] for each in values if each] == [
        b"abc",
        b"defghij",
        b"klmno",
    ]
    assert all(checksum.holds for checksum in store.checksums)
    assert store.free_start == len(data)


def test_any_bytes_are_read_without_a_fault() -> None:
    own = random.Random(5)
    for layout in (NVS_LAYOUT, parse_layout(COUNTED), parse_layout(LENGTHS)):
        rules = layout.records[0]
        for _ in range(20):
            noise = Image.from_bytes(own.randbytes(len(rules.span)))
            store = read_store(noise, rules)
            assert all(rules.span.contains(record.span) for record in store.records)
