"""CRCs and sums against other people's code, tables and standards.

Three ways to each catalogued CRC: crccheck 1.3.1 (pure Python, its own copy of the
catalogue), a slow bit-by-bit loop fed with crccheck's parameters, and the standard library
where it has the algorithm.
"""

from __future__ import annotations

import binascii
import zlib
from typing import Any

import crccheck.checksum
import crccheck.crc
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.core.checksums.algorithms import (
    UnknownAlgorithmError,
    compute_value,
    get_algorithm,
    list_algorithms,
)
from memtool.core.checksums.crc import compute_crc
from tests import checksum_reference as reference

PUBLISHED = {
    theirs._names[0]: theirs for theirs in crccheck.crc.ALLCRCCLASSES if theirs.width() <= 64
}
"""Catalogue name: crccheck's class."""
NAMES = sorted(PUBLISHED)

# G. Cook, "Catalogue of parametrised CRC algorithms": width, poly, init, refin, refout,
# xorout, check, residue; as read and recomputed for this project.
CATALOGUE = """
CRC-8/SMBUS       8  07 00 0 0 00 F4 00
CRC-8/SAE-J1850   8  1D FF 0 0 FF 4B C4
CRC-8/AUTOSAR     8  2F FF 0 0 FF DF 42
CRC-8/MAXIM-DOW   8  31 00 1 1 00 A1 00
CRC-8/I-432-1     8  07 00 0 0 55 A1 AC
CRC-16/ARC        16 8005 0000 1 1 0000 BB3D 0000
CRC-16/MODBUS     16 8005 FFFF 1 1 0000 4B37 0000
CRC-16/IBM-3740   16 1021 FFFF 0 0 0000 29B1 0000
CRC-16/XMODEM     16 1021 0000 0 0 0000 31C3 0000
CRC-16/KERMIT     16 1021 0000 1 1 0000 2189 0000
CRC-16/IBM-SDLC   16 1021 FFFF 1 1 FFFF 906E F0B8
CRC-32/ISO-HDLC   32 04C11DB7 FFFFFFFF 1 1 FFFFFFFF CBF43926 DEBB20E3
CRC-32/BZIP2      32 04C11DB7 FFFFFFFF 0 0 FFFFFFFF FC891918 C704DD7B
CRC-32/AUTOSAR    32 F4ACFB13 FFFFFFFF 1 1 FFFFFFFF 1697D06A 904CDDBF
""".strip().splitlines()

COUNTS = "3:2 4:2 5:3 6:5 7:3 8:20 10:3 11:2 12:4 13:1 14:2 15:2 16:31 17:1 21:1 24:8 30:1 31:1"
"""Models of each width in the catalogue, without 32:12 40:1 64:7 and the one of 82."""


def value(name: str, data: bytes) -> int:
    return compute_value(get_algorithm(name), data)


def parameters_of(theirs: Any) -> reference.Crc:
    return reference.Crc(
        width=theirs.width(),
        poly=theirs.poly(),
        init=theirs.initvalue(),
        refin=theirs.reflect_input(),
        refout=theirs.reflect_output(),
        xorout=theirs.xor_output(),
    )


def test_names_are_those_of_the_catalogue_without_the_one_of_82_bits() -> None:
    ours = {algorithm.name for algorithm in list_algorithms() if algorithm.crc is not None}
    theirs = {crc._names[0] for crc in crccheck.crc.ALLCRCCLASSES}
    assert theirs - ours == {"CRC-82/DARC"}
    assert ours <= theirs


def test_each_width_has_as_many_models_as_the_catalogue() -> None:
    widths = [item.width for item in list_algorithms() if item.crc is not None]
    expected = [pair.split(":") for pair in f"{COUNTS} 32:12 40:1 64:7".split()]
    assert {width: widths.count(width) for width in widths} == {
        int(width): int(count) for width, count in expected
    }


@pytest.mark.parametrize("row", CATALOGUE, ids=lambda row: row.split()[0])
def test_rows_read_from_the_catalogue(row: str) -> None:
    name, width, *numbers = row.split()
    poly, init, refin, refout, xorout, check, residue = (int(text, 16) for text in numbers)
    crc = get_algorithm(name).crc
    assert crc is not None
    assert (crc.width, crc.poly, crc.init) == (int(width), poly, init)
    assert (crc.refin, crc.refout, crc.xorout) == (bool(refin), bool(refout), xorout)
    assert (crc.check, crc.residue) == (check, residue)
    assert value(name, b"123456789") == check


@pytest.mark.parametrize("name", NAMES)
def test_parameters_check_and_residue_agree_with_crccheck(name: str) -> None:
    theirs, crc = PUBLISHED[name], get_algorithm(name).crc
    assert crc is not None
    assert (crc.width, crc.poly, crc.init) == (theirs.width(), theirs.poly(), theirs.initvalue())
    assert (crc.refin, crc.refout) == (theirs.reflect_input(), theirs.reflect_output())
    assert (crc.xorout, crc.residue) == (theirs.xor_output(), theirs.residue())
    assert crc.check == theirs._check_result == value(name, b"123456789")


@pytest.mark.parametrize("name", NAMES)
@given(data=st.binary(max_size=48))
@settings(max_examples=12)
def test_crc_agrees_with_crccheck_and_the_bitwise_loop(name: str, data: bytes) -> None:
    found = value(name, data)
    assert found == PUBLISHED[name].calc(data)
    assert found == reference.crc_value(parameters_of(PUBLISHED[name]), data)


@pytest.mark.parametrize("name", NAMES)
def test_crc_of_a_longer_block_agrees_with_crccheck(name: str) -> None:
    # Long enough for the library's carry-less multiplication, and not a multiple of it.
    data = bytes((7 * place * place + 3) % 251 for place in range(1031))
    assert value(name, data) == PUBLISHED[name].calc(data)


def test_published_aliases_mean_what_they_mean_in_crccheck_or_are_refused() -> None:
    refused = set()
    for theirs in PUBLISHED.values():
        for alias in theirs._names[1:]:
            try:
                assert get_algorithm(alias).name == theirs._names[0]
            except UnknownAlgorithmError:
                refused.add(alias)
    bare = {f"CRC-{width}" for width in (7, 8, 10, 11, 15, 24, 32, 64)}
    # CRC-12-X is a spelling of crccheck's own; the catalogue writes X-CRC-12.
    assert refused == bare | {"CRC-CCITT", "CRC-16/CCITT", "CRC-12-X"}


def test_maxim_dow_and_i_432_1_share_their_check_value() -> None:
    # So a check value alone does not name a model; it is the only such pair of one width.
    seen: dict[tuple[int, int], list[str]] = {}
    for item in list_algorithms():
        if item.crc is not None and item.width >= 8:
            seen.setdefault((item.width, item.crc.check), []).append(item.name)
    pairs = [names for names in seen.values() if len(names) > 1]
    assert pairs == [["CRC-8/I-432-1", "CRC-8/MAXIM-DOW"]]


@given(data=st.binary(max_size=300))
def test_standard_library_agrees(data: bytes) -> None:
    assert value("CRC-32/ISO-HDLC", data) == zlib.crc32(data)
    assert value("CRC-32/JAMCRC", data) == zlib.crc32(data) ^ 0xFFFFFFFF
    assert value("CRC-16/XMODEM", data) == binascii.crc_hqx(data, 0)
    assert value("CRC-16/IBM-3740", data) == binascii.crc_hqx(data, 0xFFFF)
    assert value("CRC-16/GENIBUS", data) == binascii.crc_hqx(data, 0xFFFF) ^ 0xFFFF
    assert value("CRC-16/SPI-FUJITSU", data) == binascii.crc_hqx(data, 0x1D0F)
    assert value("ADLER-32", data) == zlib.adler32(data)


@given(data=st.binary(max_size=64).map(lambda data: data[: len(data) // 2 * 2]))
def test_crccheck_agrees_on_sums(data: bytes) -> None:
    theirs = crccheck.checksum
    assert value("SUM-8", data) == theirs.Checksum8.calc(data)
    assert value("XOR-8", data) == theirs.ChecksumXor8.calc(data)
    # Its "Checksum16" adds 16-bit words, not bytes.
    assert value("WORDSUM-16-BE", data) == theirs.Checksum16.calc(data, byteorder="big")
    assert value("WORDSUM-16-LE", data) == theirs.Checksum16.calc(data, byteorder="little")


def test_crccheck_own_check_data_for_sums() -> None:
    # crccheck 1.3.1, crccheck/checksum.py: check data and results.
    data = bytes.fromhex("DEADBEEFAA55C28C")
    assert value("SUM-8", data) == 0x85
    assert value("WORDSUM-16-BE", data) == 0x0A7D
    assert value("WORDSUM-16-LE", data) == 0x8008
    assert value("XOR-8", data) == 0x93


@pytest.mark.parametrize(
    ("data", "register"),
    [
        (bytes(32), 0x8A9136AA),
        (b"\xff" * 32, 0x62A8AB43),
        (bytes(range(32)), 0x46DD794E),
        (bytes(range(31, -1, -1)), 0x113FDB5C),
    ],
)
def test_iscsi_vectors(data: bytes, register: int) -> None:
    # RFC 3720, appendix B.4 (values from memory, recomputed by the bitwise loop).
    assert value("CRC-32/ISCSI", data) == register
    crc = reference.Crc(32, 0x1EDC6F41, 0xFFFFFFFF, True, True, 0xFFFFFFFF)
    assert reference.crc_value(crc, data) == register


@pytest.mark.parametrize(
    ("name", "data", "expected"),
    [
        # Wikipedia, "Fletcher's checksum", test vectors.
        ("FLETCHER-16", b"abcde", 0xC8F0),
        ("FLETCHER-16", b"abcdef", 0x2057),
        ("FLETCHER-16", b"abcdefgh", 0x0627),
        ("FLETCHER-32", b"abcde", 0xF04FC729),
        ("FLETCHER-32", b"abcdef", 0x56502D2A),
        ("FLETCHER-32", b"abcdefgh", 0xEBE19591),
        # Calculated for this project.
        ("FLETCHER-16", b"123456789", 0x1EDE),
        # Wikipedia, "Adler-32"; RFC 1950 section 8.2 defines it.
        ("ADLER-32", b"Wikipedia", 0x11E60398),
        ("ADLER-32", b"123456789", 0x091E01DE),
        ("ADLER-32", b"", 0x00000001),
        ("ADLER-32", b"a", 0x00620062),
        ("ADLER-32", b"abc", 0x024D0127),
        # Calculated: the sums over ASCII 123456789 and its first eight bytes.
        ("SUM-8", b"123456789", 0xDD),
        ("SUM-8/ONES", b"123456789", 0x22),
        ("SUM-8/TWOS", b"123456789", 0x23),
        ("XOR-8", b"123456789", 0x31),
        ("XOR-16-BE", b"12345678", 0x0008),
        ("XOR-16-LE", b"12345678", 0x0800),
        ("WORDSUM-16-LE", b"12345678", 0xD4D0),
        ("WORDSUM-16-BE", b"12345678", 0xD0D4),
        ("WORDSUM-16-LE/TWOS", b"12345678", 0x2B30),
        ("WORDSUM-16-BE/TWOS", b"12345678", 0x2F2C),
    ],
)
def test_worked_examples_of_sums(name: str, data: bytes, expected: int) -> None:
    assert value(name, data) == expected


def test_internet_checksum_is_the_folded_word_sum() -> None:
    # RFC 1071 section 3 (from memory, recomputed): the sum before its carries are folded.
    data = bytes.fromhex("0001F203F4F5F6F7")
    total = value("WORDSUM-32-BE", data)
    assert total == 0x2DDF0
    assert (total & 0xFFFF) + (total >> 16) == 0xDDF2
    swapped = value("WORDSUM-32-LE", data)
    assert (swapped & 0xFFFF) + (swapped >> 16) == 0xF2DD


def test_ipv4_header_checksum_is_the_complement_of_the_folded_word_sum() -> None:
    # Wikipedia, "IPv4 header checksum" (from memory, recomputed).
    header = "45000073000040004011 {} C0A80001C0A800C7"
    total = value("WORDSUM-32-BE", bytes.fromhex(header.format("0000")))
    assert 0xFFFF - ((total & 0xFFFF) + (total >> 16)) == 0xB861
    total = value("WORDSUM-32-BE", bytes.fromhex(header.format("B861")))
    assert (total & 0xFFFF) + (total >> 16) == 0xFFFF


@pytest.mark.parametrize(
    ("fill", "name", "expected"),
    [
        # Seventeen blank bytes, calculated for this project.
        (0xFF, "SUM-8", 0xEF),
        (0xFF, "SUM-8/TWOS", 0x11),
        (0xFF, "SUM-16", 0x10EF),
        (0xFF, "XOR-8", 0xFF),
        (0xFF, "CRC-16/IBM-3740", 0x981C),
        (0xFF, "CRC-32/ISO-HDLC", 0x025D4ABC),
        (0x00, "SUM-8", 0x00),
        (0x00, "SUM-8/TWOS", 0x00),
        (0x00, "SUM-16", 0x0000),
        (0x00, "XOR-8", 0x00),
        (0x00, "CRC-16/IBM-3740", 0xC7EC),
        (0x00, "CRC-32/ISO-HDLC", 0xC9EFF1BD),
    ],
)
def test_seventeen_blank_bytes(fill: int, name: str, expected: int) -> None:
    assert value(name, bytes([fill]) * 17) == expected


def test_blank_and_zero_blocks_do_not_tell_models_apart() -> None:
    # Calculated: why a checksum over a blank block proves nothing.
    of_16 = [item for item in list_algorithms() if item.crc is not None and item.width == 16]
    of_8 = [item for item in list_algorithms() if item.crc is not None and item.width == 8]
    zeros = [compute_value(item, bytes(16)) for item in of_16]
    assert (len(zeros), zeros.count(0)) == (31, 10)
    assert sum(compute_value(item, bytes(16)) == 0 for item in of_8) == 9
    blank: dict[int, list[str]] = {}
    for item in of_16:
        blank.setdefault(compute_value(item, b"\xff" * 16), []).append(item.name)
    assert [names for names in blank.values() if len(names) > 1] == [["CRC-16/CMS", "CRC-16/USB"]]


@pytest.mark.parametrize(
    ("name", "low_first", "high_first"),
    [
        ("CRC-16/IBM-SDLC", 0xF0B8, 0x0851),
        ("CRC-32/ISO-HDLC", 0xDEBB20E3, None),
        ("CRC-16/IBM-3740", 0x93F3, 0x0000),
    ],
)
def test_register_after_the_crc_itself(name: str, low_first: int, high_first: int | None) -> None:
    # Calculated: 123456789 and its CRC in both byte orders, before xorout.
    crc = get_algorithm(name).crc
    assert crc is not None
    data, length = b"123456789", crc.width // 8
    found = compute_crc(crc, data)
    assert compute_crc(crc, data + found.to_bytes(length, "little")) ^ crc.xorout == low_first
    if high_first is not None:
        assert compute_crc(crc, data + found.to_bytes(length, "big")) ^ crc.xorout == high_first


def test_fletcher_16_cannot_tell_00_from_ff() -> None:
    # RFC 1950, section 8.2, note on Fletcher's checksum modulo 255.
    assert value("FLETCHER-16", b"ab\x00cd") == value("FLETCHER-16", b"ab\xffcd")
    assert value("ADLER-32", bytes(3)) != value("ADLER-32", bytes(4))
