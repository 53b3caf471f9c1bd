"""Reads of one role that hold different numbers of a module's own."""

from __future__ import annotations

import pytest

from memtool.core.finding import Severity
from memtool.core.image import Image
from memtool.core.job.whose import OneRead, find_whose
from memtool.core.role import Role


def codes(*numbers: bytes) -> list[tuple[str, Severity]]:
    reads = []
    for index, number in enumerate(numbers):
        memory = bytearray(b"\xff" * 256)
        memory[0x20 : 0x20 + len(number)] = number
        reads.append(
            OneRead(role=Role.DONOR, image=Image.from_bytes(bytes(memory)), name=f"d{index}.bin")
        )
    found = find_whose(reads, vehicle_vin=None)
    return [(finding.code, finding.severity) for finding in found]


def test_reads_of_two_modules_that_hold_no_vin_are_told_by_their_serial_numbers() -> None:
    told = [("two-serials", Severity.WARNING)]
    assert codes(b"TL19031907D", b"TL22064471D") == told
    assert codes(b"TL19031907D", b"TL19031907D", b"TL22064471D") == told
    assert codes(b"S/N 0917735", b"S/N 0921004") == told


@pytest.mark.parametrize(
    "second",
    [
        pytest.param(b"TL19031907D", id="equal"),
        pytest.param(b"TL19031917D", id="one character, as a flaw of a read"),
        pytest.param(b"TLY9031A07D", id="a letter where a digit was"),
        pytest.param(b"TL\x8190\xb3190\x17D", id="bits that make no text"),
        pytest.param(b"", id="not there"),
    ],
)
def test_flaws_of_a_read_are_no_second_module(second: bytes) -> None:
    assert codes(b"TL19031907D", second) == []


def test_the_numbers_are_not_told_since_a_layout_may_protect_them() -> None:
    memories = [b"\xff" * 64 + number + b"\xff" * 64 for number in (b"TL19031907D", b"TL22064471D")]
    reads = [
        OneRead(role=Role.ORIGINAL, image=Image.from_bytes(memory), name=f"o{index}.bin")
        for index, memory in enumerate(memories)
    ]
    (found,) = find_whose(reads, vehicle_vin=None)
    assert "TL" not in found.text
    assert [str(span) for span in found.spans] == ["0x0040-0x004A"]
