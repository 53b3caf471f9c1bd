"""Stores of records against the maker's own package and against a published check value.

Source: ``esp-idf-nvs-partition-gen`` 0.3 (Apache-2.0), the maker's generator of fresh images.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from memtool.core.checksums.algorithms import compute_value, get_algorithm
from memtool.core.image import Image
from memtool.core.records.reading import read_store
from memtool.core.records.store import RecordStore
from memtool.formats.layout_toml.parsing import parse_layout
from tests.build import DONOR_VIN
from tests.stores import nvs
from tests.stores.layouts import NVS

VALUES = f"""\
key,type,encoding,value
vehicle,namespace,,
vin,data,string,{DONOR_VIN}
doors,data,u8,4
run,namespace,,
starts,data,u32,70000
hours,data,u16,812
config,data,hex2bin,00112233445566778899AABBCCDDEEFF
"""
SIZE = 0x3000


@pytest.fixture(scope="module")
def makers_image(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    folder: Path = tmp_path_factory.mktemp("nvs")
    (folder / "values.csv").write_text(VALUES)
    command = "esp_idf_nvs_partition_gen generate values.csv image.bin"
    subprocess.run(
        [sys.executable, "-m", *command.split(), hex(SIZE)],
        cwd=folder,
        check=True,
        capture_output=True,
        timeout=120,
    )
    return (folder / "image.bin").read_bytes()


def test_generator_of_the_tests_writes_what_the_makers_package_writes(makers_image: bytes) -> None:
    store = nvs.Store(SIZE // nvs.PAGE)
    store.write_text("vehicle", "vin", DONOR_VIN)
    store.write_number("vehicle", "doors", nvs.U8, 4)
    store.write_number("run", "starts", nvs.U32, 70000)
    store.write_number("run", "hours", nvs.U16, 812)
    store.write_blob("run", "config", bytes.fromhex("00112233445566778899AABBCCDDEEFF"))
    assert bytes(store.data) == makers_image


def test_image_of_the_makers_package_is_read_by_the_layout(makers_image: bytes) -> None:
    layout = parse_layout(NVS.format(chip=SIZE, size=SIZE, namespace=1))
    store = read_store(Image.from_bytes(makers_image), layout.records[0])
    assert all(checksum.holds for checksum in store.checksums)
    assert {record.key[:2] for record in store.newest} == {
        (0, "vehicle"),
        (1, "vin"),
        (1, "doors"),
        (0, "run"),
        (2, "starts"),
        (2, "hours"),
        (2, "config"),
    }
    assert text_of(store, makers_image, 1, "vin") == DONOR_VIN.encode() + b"\x00"


def text_of(store: RecordStore, image: bytes, namespace: int, key: str) -> bytes:
    (record,) = store.history_of((namespace, key))
    assert record.value is not None
    return image[record.value.start : record.value.end]


def test_crc_written_out_by_its_parameters_gives_the_catalogues_check_value() -> None:
    # Source: G. Cook, "Catalogue of parametrised CRC algorithms", the row CRC-32/JAMCRC, with
    # init changed and changed back: the check value of the row is 0x340bc6d9.
    row = "width=32 poly=0x04c11db7 init=0xffffffff refin=true refout=true xorout=0x00000000"
    assert get_algorithm(row).name == "CRC-32/JAMCRC"
    assert compute_value(get_algorithm(row), b"123456789") == 0x340BC6D9
