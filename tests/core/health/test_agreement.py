"""Reads that differ, each made by one cause at the bench, and what is said about them."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest

from memtool.core.finding import Severity
from memtool.core.health.agreement import (
    Agreement,
    compare_reads,
    majority_image,
)
from memtool.core.health.same_file import ReadFile, find_same_file
from memtool.core.image import Image
from memtool.core.span import Span
from memtool.errors import InputError

SIZE = 2048


def content(seed: int = 7, size: int = SIZE) -> bytes:
    """Half random, half erased, as EEPROMs are."""
    drawn = random.Random(seed)
    return drawn.randbytes(size // 2) + b"\xff" * (size // 4) + drawn.randbytes(size // 4)


def compare(*reads: bytes) -> Agreement:
    return compare_reads([Image.from_bytes(read) for read in reads])


def flipped(data: bytes, places: int, seed: int, *, bit: int | None = None) -> bytes:
    drawn, changed = random.Random(seed), bytearray(data)
    for place in drawn.sample(range(len(data)), places):
        changed[place] ^= 1 << (drawn.randrange(8) if bit is None else bit)
    return bytes(changed)


def shifted_bits(data: bytes, number: int) -> bytes:
    bits = "1" * number + "".join(f"{byte:08b}" for byte in data)
    return bytes(int(bits[i : i + 8], 2) for i in range(0, 8 * len(data), 8))


def counted(data: bytes, seed: int) -> bytes:
    """A record and its copy moved on, as an awake module does."""
    drawn, changed = random.Random(seed), bytearray(data)
    start = drawn.randrange(0, len(data) - 128) & ~15
    for first in (start, start + 32):
        changed[first : first + 4] = drawn.randbytes(4)
    return bytes(changed)


def reversed_bits(data: bytes) -> bytes:
    return bytes(int(f"{byte:08b}"[::-1], 2) for byte in data)


def swapped(data: bytes, width: int) -> bytes:
    words = (data[i : i + width] for i in range(0, len(data), width))
    return b"".join(word[::-1] for word in words)


CAUSES: dict[str, Callable[[bytes, int], bytes]] = {
    "reads-differ-scattered": lambda data, seed: flipped(data, 12, seed),
    "reads-differ-few": lambda data, seed: flipped(data, 1, seed),
    "reads-differ-data-line": lambda data, seed: flipped(data, 9, seed, bit=seed % 8),
    "reads-differ-region": counted,
    "reads-differ-shift": lambda data, seed: data[:100] + shifted_bits(data[100:], seed % 13 + 1),
    "reads-differ-empty": lambda data, seed: bytes([0xFF if seed % 2 else 0]) * len(data),
    "reads-differ-address-line": lambda data, seed: data[: SIZE // 2] * 2,
    "reads-differ-order": lambda data, seed: [
        swapped(data, 2),
        swapped(data, 4),
        reversed_bits(data),
        bytes(byte ^ 0xFF for byte in data),
    ][seed % 4],
    "reads-differ-size": lambda data, seed: data[: SIZE - 1 - seed],
}


@pytest.mark.parametrize("code", CAUSES)
def test_each_cause_is_named_at_least_19_times_of_20(code: str) -> None:
    named = []
    for seed in range(40):
        data = content(seed)
        result = compare(data, CAUSES[code](data, 1000 + seed))
        assert not result.agree
        (finding,) = result.findings
        assert finding.severity is Severity.FAILURE
        assert len(finding.text) <= 240
        assert finding.spans == result.spans
        named.append(finding.code == code)
    assert sum(named) >= 38


def test_equal_reads_agree_and_the_finding_says_what_that_does_not_prove() -> None:
    result = compare(content(), content(), content())
    assert result.agree
    assert (result.differing_bytes, result.spans, result.differences) == (0, (), ())
    assert result.more_reads == 0
    (finding,) = result.findings
    assert (finding.code, finding.severity) == ("reads-agree", Severity.INFO)
    assert "removed and refitted" in finding.text


def test_one_read_gets_no_finding() -> None:
    result = compare(content())
    assert result.agree
    assert result.findings == ()


def test_each_differing_byte_is_listed_with_the_direction_of_its_flips() -> None:
    first = b"\x00\x0f\xff\x55" * 8
    second = bytearray(first)
    second[1], second[2] = 0x1E, 0xFE
    result = compare(first, bytes(second))
    assert result.spans == (Span(1, 3),)
    assert [(d.address, d.values, d.rising, d.falling) for d in result.differences] == [
        (1, (0x0F, 0x1E), 0x10, 0x01),
        (2, (0xFF, 0xFE), 0x00, 0x01),
    ]


def test_with_three_reads_directions_are_seen_from_the_majority() -> None:
    one, other = b"\x00" * 8, b"\x00\x00\x01" + b"\x00" * 5
    result = compare(other, one, one)
    assert [(d.address, d.rising, d.falling) for d in result.differences] == [(2, 1, 0)]


def test_addresses_are_those_of_the_segments() -> None:
    first = Image.from_pieces([(0x100, b"abcd"), (0x8000, b"efgh")])
    second = Image.from_pieces([(0x100, b"abcX"), (0x8000, b"Xfgh")])
    result = compare_reads([first, second])
    assert result.spans == (Span(0x103, 0x104), Span(0x8000, 0x8001))
    assert [d.address for d in result.differences] == [0x103, 0x8000]


def test_bytes_that_one_read_does_not_define_differ() -> None:
    result = compare_reads([Image.from_bytes(b"abcd"), Image.from_bytes(b"abXdef")])
    assert result.differing_bytes == 3
    assert result.spans == (Span(2, 3), Span(4, 6))


def test_nothing_in_common_is_a_difference_in_size() -> None:
    result = compare_reads([Image.from_bytes(b"abcd"), Image.from_bytes(b"abcd", base=64)])
    assert result.differing_bytes == 8
    assert [finding.code for finding in result.findings] == ["reads-differ-size"]


def test_no_read_at_all_is_the_callers_mistake() -> None:
    with pytest.raises(ValueError, match="no read"):
        compare_reads([])
    with pytest.raises(ValueError, match="no read"):
        majority_image([])


@pytest.mark.parametrize(("reads", "wrong"), [(2, 12), (3, 12), (4, 12), (3, 40)])
def test_a_majority_of_the_suggested_number_of_reads_is_right(reads: int, wrong: int) -> None:
    right = 0
    for seed in range(30):
        data = content(seed)
        taken = [flipped(data, wrong, 50 * seed + number) for number in range(reads)]
        more = compare(*taken).more_reads
        assert more is not None
        taken += [flipped(data, wrong, 9999 + 50 * seed + number) for number in range(more)]
        majority = majority_image([Image.from_bytes(read) for read in taken])
        right += majority.image == Image.from_bytes(data)
    assert right >= 28


def test_places_that_read_either_way_need_a_better_contact_not_more_reads() -> None:
    data, drawn = content(), random.Random(3)
    weak = drawn.sample(range(SIZE), 60)
    taken = []
    for _ in range(5):
        read = bytearray(data)
        for place in weak:
            read[place] ^= drawn.choice((0, 1 << (place % 8)))
        taken.append(bytes(read))
    result = compare(*taken)
    assert result.more_reads is None
    assert "no number of further reads" in result.findings[0].text


def test_majority_lists_what_was_outvoted_and_what_nobody_won() -> None:
    reads = [b"aaXbc", b"aaYbc", b"aaZbX"]
    majority = majority_image([Image.from_bytes(read, base=16) for read in reads])
    assert majority.image == Image.from_bytes(b"aaXbc", base=16)
    assert majority.doubtful == (Span(18, 19), Span(20, 21))
    assert majority.undecided == (Span(18, 19),)


def test_two_reads_have_no_majority_where_they_differ() -> None:
    majority = majority_image([Image.from_bytes(b"ab"), Image.from_bytes(b"aX")])
    assert majority.image == Image.from_bytes(b"ab")
    assert majority.undecided == majority.doubtful == (Span(1, 2),)


def test_majority_of_reads_of_different_size_is_refused() -> None:
    with pytest.raises(InputError) as caught:
        majority_image([Image.from_bytes(b"ab"), Image.from_bytes(b"abc")])
    assert caught.value.code == "reads-differ-size"
    assert caught.value.exit_status == 4


@pytest.mark.parametrize(
    ("second", "same"),
    [
        (ReadFile(path="b.bin", device=1, inode=7), True),
        (ReadFile(path="a.bin", device=1, inode=8), False),
        (ReadFile(path="a.bin", device=2, inode=7), False),
        (ReadFile(path="a.bin", device=1, inode=0), True),
        (ReadFile(path="b.bin", device=1, inode=0), False),
    ],
)
def test_one_file_given_twice_is_told_by_inode_and_without_inodes_by_path(
    second: ReadFile, same: bool
) -> None:
    found = find_same_file([ReadFile(path="a.bin", device=1, inode=7), second])
    assert [finding.code for finding in found] == (["reads-same-file"] if same else [])


PUBLISHED = (b"1M8GDM9AXKP042788", b"1G4AH59H45G118341")
"""Two VINs that are published as examples of the check digit, so both have it right."""


def with_vin(data: bytes, vin: bytes) -> bytes:
    return data[:0x100] + b"\xff" * 8 + vin + b"\xff" * 8 + data[0x121:]


@pytest.mark.parametrize("elsewhere", [False, True])
def test_two_modules_are_no_weak_contact(elsewhere: bool) -> None:
    """Neither cleaning pins nor more reads mends a file of another module."""
    other = flipped(content(), 60, 3) if elsewhere else content()
    found = compare(with_vin(content(), PUBLISHED[0]), with_vin(other, PUBLISHED[1]))
    assert [finding.code for finding in found.findings] == ["reads-of-two-modules"]
    assert found.more_reads is None


@pytest.mark.parametrize("place", range(17))
def test_one_wrong_character_of_a_vin_makes_no_second_module(place: int) -> None:
    data = with_vin(content(), PUBLISHED[0])
    at = 0x108 + place
    for bit in range(8):
        wrong = data[:at] + bytes([data[at] ^ 1 << bit]) + data[at + 1 :]
        assert [finding.code for finding in compare(data, wrong).findings] == ["reads-differ-few"]


def test_noise_in_a_vin_makes_no_second_module() -> None:
    """The rest of the image is flipped as often as the VIN, 1,000 times."""
    drawn = random.Random(5)
    data = with_vin(content(), PUBLISHED[0])
    told = 0
    for seed in range(1000):
        wrong = bytearray(flipped(data, 40, seed))
        for place in drawn.sample(range(17), drawn.randrange(1, 5)):
            wrong[0x108 + place] ^= 1 << drawn.randrange(8)
        codes = [finding.code for finding in compare(data, bytes(wrong)).findings]
        told += codes == ["reads-of-two-modules"]
    assert told <= 2
