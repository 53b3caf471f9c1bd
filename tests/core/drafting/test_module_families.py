"""The generator of module families against published numbers and other libraries."""

from __future__ import annotations

import binascii
import random
import zlib

import pytest

from tests.module_families import CRCS, crc, guard_value, make_family, make_vin, store
from tests.vin_reference import digit_of

CHECKS = {
    "CRC-8/SMBUS": 0xF4,
    "CRC-8/SAE-J1850": 0x4B,
    "CRC-8/MAXIM-DOW": 0xA1,
    "CRC-8/GSM-B": 0x94,
    "CRC-16/IBM-3740": 0x29B1,
    "CRC-16/XMODEM": 0x31C3,
    "CRC-16/KERMIT": 0x2189,
    "CRC-16/MODBUS": 0x4B37,
    "CRC-16/ARC": 0xBB3D,
    "CRC-16/DNP": 0xEA82,
    "CRC-16/CDMA2000": 0x4C06,
    "CRC-32/ISO-HDLC": 0xCBF43926,
    "CRC-32/BZIP2": 0xFC891918,
    "CRC-32/AUTOSAR": 0x1697D06A,
}
"""Over the digits 1 to 9. G. Cook, "Catalogue of parametrised CRC algorithms"."""


@pytest.mark.parametrize("name", sorted(CRCS))
def test_crc_has_its_published_check_value(name: str) -> None:
    assert crc(name, b"123456789") == CHECKS[name]


def test_crcs_agree_with_the_standard_library() -> None:
    data = bytes(range(200))
    assert crc("CRC-32/ISO-HDLC", data) == zlib.crc32(data)
    assert crc("CRC-16/XMODEM", data) == binascii.crc_hqx(data, 0)


def test_every_module_holds_its_own_vin_and_right_checksums() -> None:
    for seed in range(30):
        family = make_family(seed)
        module = family.module(1)
        assert module.vin is not None
        assert module.vin[8] == digit_of(module.vin)
        for read in module.reads:
            memory = (
                read
                if not family.swapped
                else b"".join(read[at : at + 2][::-1] for at in range(0, len(read), 2))
            )
            for place in family.places:
                if place.kind == "vin":
                    assert memory[place.start : place.end] == store(module.vin, place.form)
            for guard in family.guards:
                field = memory[guard.stored : guard.stored + guard.length]
                assert field == guard_value(guard, memory)


def test_fields_of_a_family_never_overlap() -> None:
    for seed in range(60):
        family = make_family(seed)
        places = sorted(family.places, key=lambda place: place.start)
        ends = [0, *(place.end for place in places)]
        assert all(place.start >= end for place, end in zip(places, ends, strict=False))
        assert ends[-1] <= family.size


def test_families_have_what_the_measurement_is_about() -> None:
    families = [make_family(seed) for seed in range(40)]
    kinds = {place.kind for family in families for place in family.places}
    assert kinds >= {
        *("vin", "tail", "record", "sequence", "state", "text", "date", "configuration"),
        *("counter", "protected", "noise", "calibration", "checksum", "number"),
    }
    assert any(family.swapped for family in families)
    assert any(family.banks for family in families)
    nested = [
        guard
        for family in families
        for guard in family.guards
        if any(guard.start <= other.stored < guard.end for other in family.guards)
    ]
    assert len(nested) > 5


def test_vins_of_one_family_share_their_beginning() -> None:
    rng = random.Random(1)
    vins = [make_vin("1GABC12", rng) for _ in range(20)]
    assert {vin[:7] for vin in vins} == {"1GABC12"}
    assert all(vin[8] == digit_of(vin) for vin in vins)
