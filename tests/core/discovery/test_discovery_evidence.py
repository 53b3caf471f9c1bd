"""Evidence and chance: what is printed is what random images show, and folding is honest."""

from __future__ import annotations

import random

import numpy as np
import pytest
from crccheck.crc import Crc16Ibm3740, Crc16Xmodem, Crc32
from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.core.discovery import (
    CONVINCING,
    Placement,
    Standing,
    Wish,
    discover_checksums,
    searched_algorithms,
)
from memtool.core.discovery.area import Area
from memtool.core.discovery.collecting import Collector
from memtool.core.discovery.crc_search import search_after_block
from memtool.core.discovery.crc_sides import CrcSides, group_crcs
from memtool.core.discovery.evidence import (
    content_thresholds,
    expected_other_starts,
    independent_rows,
    start_limits,
)
from memtool.core.discovery.sum_search import search_sums_after_block
from memtool.core.discovery.sum_sides import SumSides, group_sums
from memtool.core.image import Image
from memtool.core.span import Span


def search(images: list[bytes], width: int, *, sums: bool) -> Collector:
    """All searches of one width with the number after the block."""
    area = Area(0, images, range(1, len(images) + 1))
    collector = Collector(1)
    chosen = [item for item in searched_algorithms() if item.width == width]
    if sums:
        for added in group_sums(chosen):
            for _ in search_sums_after_block(SumSides(added, area), collector, word_swapped=True):
                pass
        return collector
    for group in group_crcs(chosen):
        for _ in search_after_block(CrcSides(group, area), collector, word_swapped=True):
            pass
    return collector


@pytest.mark.parametrize(
    ("width", "count", "size", "turns", "sums"),
    [
        (8, 1, 200, 12, False),
        (8, 2, 700, 12, False),
        (16, 1, 1500, 4, False),
        (16, 1, 900, 6, True),
        (8, 2, 500, 12, True),
        (24, 1, 5000, 3, False),
    ],
)
def test_chance_matches_of_random_images_fit_the_expectation(
    width: int, count: int, size: int, turns: int, sums: bool
) -> None:
    source = random.Random(width * 1000 + size)
    measured = expected = 0.0
    for _ in range(turns):
        collector = search([source.randbytes(size) for _ in range(count)], width, sums=sums)
        measured += collector.pairs
        expected += collector.chance.total
    assert expected > 30
    # Matches come in clumps (one register, two orders), so allow for twice Poisson's spread.
    assert abs(measured - expected) < 4 * 2 * expected**0.5 + 0.04 * expected


@pytest.mark.parametrize("texture", ["half-erased", "near-identical"])
def test_chance_matches_of_structured_images_fit_the_expectation(texture: str) -> None:
    source = random.Random(texture)
    measured = expected = 0.0
    for _ in range(6):
        first = bytearray(source.randbytes(900))
        if texture == "half-erased":
            first[300:750] = b"\xff" * 450
        second = bytearray(first)
        second[100:117] = source.randbytes(17)
        images = [bytes(first), bytes(second)]
        collector = search(images, 16, sums=False)
        measured += collector.pairs
        expected += collector.chance.total
    assert abs(measured - expected) < 8 * expected**0.5 + 0.1 * expected


def slow_contents(images: list[bytes], start: int, end: int) -> int:
    blocks = {image[start:end] for image in images}
    return len({block for block in blocks if len(set(block)) > 1})


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.lists(st.sampled_from([0, 0, 0, 1, 255]), min_size=12, max_size=12).map(bytes),
        min_size=1,
        max_size=5,
        unique=True,
    )
)
def test_thresholds_count_the_different_contents_of_every_block(images: list[bytes]) -> None:
    rows = np.stack([np.frombuffer(image, np.uint8) for image in images])
    limits = [start_limits(row, 0, strict=True) for row in rows]
    found = content_thresholds(rows, limits)
    for end in range(1, 13):
        for start in range(end):
            counted = sum(start < int(row[end]) for row in found)
            assert counted == slow_contents(images, start, end)


def test_independent_rows_leaves_out_what_follows_by_linearity() -> None:
    assert independent_rows([5, 9, 12, 5 ^ 9 ^ 12], linear=True) == (0, 1, 2)
    assert independent_rows([5, 9, 12, 5 ^ 9 ^ 12], linear=False) == (0, 1, 2, 3)
    assert independent_rows([None, 7, 7, None, 8], linear=True) == (1, 4)


def test_other_starts_count_shared_bytes_with_one_content_only() -> None:
    source = random.Random(3)
    shared = source.randbytes(100)
    rows = np.stack([np.frombuffer(shared + source.randbytes(50), np.uint8) for _ in range(2)])
    thresholds = content_thresholds(rows, [start_limits(row, 0, strict=True) for row in rows])
    expected = expected_other_starts(rows, thresholds, 40, 140, 16, 1)
    # 40 starts below and 60 above up to offset 100 with one content; the last 39 with two.
    assert expected == pytest.approx(100 * 2**-16 + 39 * 2**-32)


def test_a_block_inside_with_its_own_crc_does_not_prove_blocks_around_it() -> None:
    """A zero residue cancels all differences inside: every later end would seem to fit."""
    source = random.Random(4)
    first = bytearray(source.randbytes(1500))
    images = [bytearray(first) for _ in range(3)]
    for image in images:
        image[0x120:0x131] = source.randbytes(17)
        image[0x140:0x142] = int(Crc16Ibm3740.calc(image[0x100:0x140])).to_bytes(2, "big")
    found = discover_checksums([Image.from_bytes(bytes(image)) for image in images])
    convincing = [row for row in found.blocks if row.standing is Standing.CONVINCING]
    assert [(row.algorithm, row.block) for row in convincing] == [
        ("CRC-16/IBM-3740", Span(0x100, 0x140))
    ]


def test_nested_checksums_come_in_the_order_in_which_they_must_be_refreshed() -> None:
    source = random.Random(6)
    images = [bytearray(source.randbytes(1024)) for _ in range(4)]
    for image in images:
        image[0x140:0x142] = int(Crc16Ibm3740.calc(image[0x100:0x140])).to_bytes(2, "big")
        image[-4:] = int(Crc32.calc(image[:-4])).to_bytes(4, "little")
    rows = discover_checksums([Image.from_bytes(bytes(image)) for image in images]).blocks[:2]
    assert [(row.algorithm, row.block) for row in rows] == [
        ("CRC-16/IBM-3740", Span(0x100, 0x140)),
        ("CRC-32/ISO-HDLC", Span(0, 1020)),
    ]
    assert rows[0].bits < rows[1].bits
    assert all(row.expected_by_chance < CONVINCING for row in rows)


def test_two_adjacent_blocks_of_zero_residue_are_two_rows_not_three() -> None:
    source = random.Random(7)
    images = [bytearray(source.randbytes(400)) for _ in range(4)]
    for image in images:
        for start, end in ((40, 100), (102, 180)):
            image[end : end + 2] = int(Crc16Xmodem.calc(image[start:end])).to_bytes(2, "big")
    rows = discover_checksums([Image.from_bytes(bytes(image)) for image in images]).blocks
    convincing = [row for row in rows if row.standing is Standing.CONVINCING]
    assert [row.block for row in convincing] == [Span(40, 100), Span(102, 180)]
    assert any(40 in run for other in convincing[1].equivalents for run in other.starts), (
        "both together follow from the second one"
    )


@pytest.mark.parametrize("fill", [0x00, 0xFF])
def test_an_erased_image_carries_nothing(fill: int) -> None:
    found = discover_checksums([Image.from_bytes(bytes([fill]) * 2048)])
    assert found.blocks == ()
    assert found.expected_by_chance == 0
    assert found.truncated == 0


def test_zeros_before_erased_bytes_are_no_checksum() -> None:
    """A register of zero stays zero, and a final XOR of ones makes FF.. of it."""
    image = Image.from_bytes(bytes(64) + b"\xff" * 64)
    found = discover_checksums([image])
    assert not [row for row in found.blocks if row.standing is Standing.CONVINCING]


def test_the_same_image_twice_is_no_second_evidence() -> None:
    image = bytearray(random.Random(2).randbytes(300))
    image[200:204] = int(Crc32.calc(image[50:200])).to_bytes(4, "big")
    one, two = Image.from_bytes(bytes(image)), Image.from_bytes(bytes(image))
    alone, twice = discover_checksums([one]), discover_checksums([one, two])
    assert twice.blocks == alone.blocks
    assert any("2 images only 1" in note for note in twice.notes)


def test_word_swapped_numbers_are_found_and_named() -> None:
    source = random.Random(12)
    images = [bytearray(source.randbytes(300)) for _ in range(2)]
    for image in images:
        value = int(Crc32.calc(image[16:200])).to_bytes(4, "big")
        image[200:204] = value[2:] + value[:2]
    first = discover_checksums([Image.from_bytes(bytes(image)) for image in images]).blocks[0]
    assert (first.block, first.byte_order, first.word_swapped) == (Span(16, 200), "big", True)


def test_a_small_sum_read_with_the_zeros_before_it_is_no_second_row() -> None:
    source = random.Random(16)
    images = [bytearray(source.randbytes(200)) for _ in range(2)]
    for image in images:
        image[90:100] = bytes(10)
        image[100:104] = sum(image[20:100]).to_bytes(4, "little")
    rows = discover_checksums([Image.from_bytes(bytes(image)) for image in images]).blocks
    convincing = [row for row in rows if row.standing is Standing.CONVINCING]
    assert [row.algorithm for row in convincing] == ["SUM-32"]
    assert not convincing[0].word_swapped
    assert any(other.word_swapped for other in convincing[0].equivalents)


def test_at_looks_for_the_number_there_alone() -> None:
    source = random.Random(13)
    images = [bytearray(source.randbytes(600)) for _ in range(3)]
    for image in images:
        image[10:12] = int(Crc16Ibm3740.calc(image[100:500])).to_bytes(2, "little")
        image[550:552] = int(Crc16Ibm3740.calc(image[520:550])).to_bytes(2, "little")
    found = discover_checksums(
        [Image.from_bytes(bytes(image), base=0x8000) for image in images],
        wish=Wish(algorithms=searched_algorithms(), at=Span(0x800A, 0x800C)),
    )
    assert [item.placement for item in found.placements] == [Placement.GIVEN]
    assert {row.field for row in found.blocks if row.field and len(row.field) == 2} == {
        Span(0x800A, 0x800C)
    }
    first = found.blocks[0]
    assert (first.algorithm, first.block) == ("CRC-16/IBM-3740", Span(0x8064, 0x81F4))


def test_within_keeps_block_and_number_inside() -> None:
    source = random.Random(14)
    images = [bytearray(source.randbytes(900)) for _ in range(2)]
    for image in images:
        for start, end in ((300, 400), (100, 600)):
            image[end : end + 4] = int(Crc32.calc(image[start:end])).to_bytes(4, "little")
    found = discover_checksums(
        [Image.from_bytes(bytes(image)) for image in images],
        wish=Wish(algorithms=searched_algorithms(), within=Span(250, 500)),
    )
    assert found.spans == (Span(250, 500),)
    assert found.blocks[0].block == Span(300, 400)
    assert all(row.block.start >= 250 and row.block.end <= 500 for row in found.blocks)


def test_a_block_never_spans_what_an_image_does_not_define() -> None:
    source = random.Random(15)
    images = []
    for _ in range(2):
        low, high = bytearray(source.randbytes(100)), bytearray(source.randbytes(100))
        high[96:] = int(Crc32.calc(high[:96])).to_bytes(4, "big")
        images.append(Image.from_pieces([(0, bytes(low)), (0x1000, bytes(high))]))
    found = discover_checksums(images)
    assert found.spans == (Span(0, 100), Span(0x1000, 0x1064))
    assert found.blocks[0].block == Span(0x1000, 0x1060)


def test_no_image_is_the_callers_mistake() -> None:
    with pytest.raises(ValueError, match="at least one image"):
        discover_checksums([])


def table_image(source: random.Random) -> bytes:
    """Counters, small numbers, text, erased space: what memories are full of. No checksum."""
    image = bytearray()
    while len(image) < 400:
        kind = source.randrange(5)
        if kind == 0:
            image += bytes([source.choice((0x00, 0xFF))]) * source.randrange(8, 60)
        elif kind == 1:
            image += b"".join((9 * n).to_bytes(2, "big") for n in range(source.randrange(4, 20)))
        elif kind == 2:
            image += bytes(source.choices(b"ABCDEFGHJKLMN0123456789 ", k=24))
        elif kind == 3:
            image += b"".join(source.randrange(300).to_bytes(4, "little") for _ in range(6))
        else:
            image += source.randbytes(source.randrange(4, 30))
    return bytes(image[:400])


def test_tables_of_small_numbers_are_no_checksums() -> None:
    """Theory alone would call several 32-bit sums in each such image convincing."""
    source = random.Random(21)
    found = 0
    for _ in range(6):
        rows = discover_checksums([Image.from_bytes(table_image(source))]).blocks
        found += sum(row.standing is Standing.CONVINCING for row in rows)
    assert found <= 1


def small_settings(number: int) -> bytes:
    """An erased memory with a serial number, and settings of a few bits guarded by their XOR."""
    source = random.Random(f"settings {number}")
    image = bytearray(b"\xff" * 512)
    image[0x40:0x50] = source.randbytes(16)
    image[0x60:0x70] = image[0x40:0x50]
    image[0xA0:0xC0] = bytes.fromhex(
        "08080b0100010a0000024010100010000000034002020800000a08100a0410 0a"
    )
    for place in (0xA2, 0xA7, 0xAF, 0xB7, 0xB8, 0xBE):
        image[place] ^= source.randrange(16)
    value = 0
    for byte in image[0xA0:0xC0]:
        value ^= byte
    image[0xC0] = value
    image[0x1F0] = source.randrange(256)
    return bytes(image)


def independent_numbers(numbers: list[int]) -> int:
    """One, and as many as no exclusive-or of other differences gives."""
    reachable = {0}
    count = 1
    for number in numbers:
        if number ^ numbers[0] not in reachable:
            reachable |= {number ^ numbers[0] ^ other for other in reachable}
            count += 1
    return count


def test_more_images_do_not_lower_the_evidence_for_a_xor_over_small_settings() -> None:
    """Bytes beside erased ones, and words beside their copies, are no chance checksums."""
    images = [small_settings(number) for number in range(12)]
    wish = Wish(algorithms=searched_algorithms(), fixed_places=False, unknown_constants=False)
    bits, expected = [], []
    for count in range(2, 9):
        found = discover_checksums(
            [Image.from_bytes(image) for image in images[:count]], wish=wish, most=300, guesses=300
        )
        row = next(
            row for row in found.blocks if row.algorithm == "XOR-8" and row.block.end == 0xC0
        )
        assert row.bits == 8 * independent_numbers([image[0xC0] for image in images[:count]])
        bits.append(row.bits)
        expected.append(row.expected_by_chance)
    assert bits == sorted(bits)
    assert expected[-1] < CONVINCING < expected[0]
