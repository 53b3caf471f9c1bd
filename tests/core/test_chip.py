"""The table of chips against the names and capacities of its sources."""

from __future__ import annotations

import pytest

from memtool.core.chip import (
    CHIPS,
    Chip,
    ChipFamily,
    chips_of_size,
    find_chip,
    is_same_chip,
    parse_chip,
)

# Linux drivers/misc/eeprom/at24.c, AT24_CHIP_DATA lines: byte_len of each part.
AT24_BYTES = {
    "24C01": 1024 // 8,
    "24C02": 2048 // 8,
    "24C04": 4096 // 8,
    "24C08": 8192 // 8,
    "24C16": 16384 // 8,
    "24C32": 32768 // 8,
    "24C64": 65536 // 8,
    "24C128": 131072 // 8,
    "24C256": 262144 // 8,
    "24C512": 524288 // 8,
    "24C1024": 1048576 // 8,
    "24C2048": 2097152 // 8,
}
# Data sheets DS21712C (46/56/66), DS21796M (76), DS21797L (86): words of 16 bits.
MICROWIRE_WORDS = {"93C46": 64, "93C56": 128, "93C66": 256, "93C76": 512, "93C86": 1024}


def test_24c_capacities_are_those_of_the_linux_driver() -> None:
    ours = {chip.name: chip.size for chip in CHIPS if chip.family is ChipFamily.I2C}
    assert ours == AT24_BYTES


def test_93c_capacities_are_those_of_the_data_sheets() -> None:
    ours = {chip.name: chip.size // 2 for chip in CHIPS if chip.family is ChipFamily.MICROWIRE}
    assert ours == MICROWIRE_WORDS


@pytest.mark.parametrize("chip", CHIPS, ids=lambda chip: chip.name)
def test_every_row_is_a_power_of_two_with_whole_pages_and_a_source(chip: Chip) -> None:
    assert chip.size.bit_count() == 1
    assert all(chip.size % page == 0 and page & (page - 1) == 0 for page in chip.pages)
    assert chip.pages == tuple(sorted(chip.pages))
    assert (chip.page is None) is (chip.family is ChipFamily.MICROWIRE)
    assert chip.source
    assert find_chip(chip.name) is chip


def test_names_are_unique() -> None:
    assert len({chip.name for chip in CHIPS}) == len(CHIPS)


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("24c16", "24C16"),
        ("M24C16", "24C16"),
        ("AT24C02", "24C02"),
        ("24LC16B", "24C16"),
        ("24 LC 256", "24C256"),
        ("24M01", "24C1024"),
        ("25160", "95160"),
        ("25LC160", "95160"),
        ("25LC160C", "95160"),
        ("M95160-W", "95160"),
        ("95M01", "951024"),
        ("25LC1024", "951024"),
        ("25AA010A", "95010"),
        ("93LC66B", "93C66"),
        ("S-93C46", "93C46"),
        ("93C86", "93C86"),
    ],
)
def test_find_chip_folds_the_marking_to_the_plain_name(written: str, meant: str) -> None:
    chip = find_chip(written)
    assert chip is not None
    assert chip.name == meant


NO_CHIPS = [
    *("", "24C", "24C15", "2417", "93C16", "95161", "29F010", "x" * 99),
    # Slips of the pen that version 0.1.0 took for chips: a nought, the letter l.
    *("24c0Z", "95l60", "MCU/D-flash", "x/../../../evil", "data flash"),
    # Numbers that no memory has: no power of two, no whole kilobytes; far too small or large.
    *("0", "63", "95310", "1000", "257M", "999999999M", "64KB", "-64K", "64 K", "6\u0664K"),
]


@pytest.mark.parametrize("name", NO_CHIPS)
def test_nothing_else_is_a_chip(name: str) -> None:
    assert find_chip(name) is None
    with pytest.raises(ValueError, match="no chip is known as"):
        parse_chip(name)


def test_a_wrong_name_is_answered_with_the_nearest() -> None:
    with pytest.raises(ValueError, match=r"'95l60' \(did you mean '95160' or"):
        parse_chip("95l60")


# The units are binary: IEC 80000-13 calls them KiB and MiB, the trade K and M.
@pytest.mark.parametrize(
    ("written", "name", "size"),
    [
        ("65536", "64K", 65536),
        ("64K", "64K", 65536),
        (" 64k ", "64K", 65536),
        ("1M", "1M", 1048576),
        ("1024k", "1M", 1048576),
        ("1536K", "1536K", 1572864),
        ("512", "512", 512),
        ("64", "64", 64),
        ("256M", "256M", 268435456),
    ],
)
def test_a_controllers_memory_is_named_by_its_size(written: str, name: str, size: int) -> None:
    chip = parse_chip(written)
    assert (chip.name, chip.size, chip.page) == (name, size, None)
    assert chip.family is ChipFamily.CONTROLLER
    assert parse_chip(chip.name) == chip
    assert is_same_chip(written, name)


def test_a_number_on_a_marking_stays_that_chip() -> None:
    assert parse_chip("95160").family is ChipFamily.SPI
    assert parse_chip("24512").name == "24C512"


def test_chips_of_size_gives_all_families_of_that_capacity() -> None:
    assert [chip.name for chip in chips_of_size(2048)] == ["24C16", "95160", "93C86"]
    assert chips_of_size(2047) == ()
