"""Blocks that stand in both images at different addresses."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.core.comparing.difference import compare_images
from memtool.core.comparing.filler import SHORTEST
from memtool.core.comparing.moved import MOST_BLOCKS, MovedBlock, find_moved_blocks
from memtool.core.image import Image
from memtool.core.runs import edges_of
from memtool.core.span import Span

TEXT = b"ABCDEFGHJKLMNPRSTUVWX"
CHUNK = st.sampled_from(
    [b"\xff" * 40, b"\x00" * 16, TEXT, TEXT[::-1], bytes(range(60)), b"\xaa\x55" * 20, b"Q"]
)
CONTENT = st.lists(CHUNK | st.binary(min_size=1, max_size=20), min_size=1, max_size=8).map(b"".join)


def changed_spans(data: bytes, other: bytes) -> list[Span]:
    """Where `data` differs from `other`, or goes on behind its end; byte by byte."""
    spans: list[Span] = []
    for place, byte in enumerate(data):
        if place < len(other) and other[place] == byte:
            continue
        if spans and spans[-1].end == place:
            spans[-1] = Span(spans[-1].start, place + 1)
        else:
            spans.append(Span(place, place + 1))
    return spans


def moved(a: bytes, b: bytes) -> tuple[MovedBlock, ...]:
    return find_moved_blocks(
        Image.from_bytes(a),
        Image.from_bytes(b),
        changed_a=edges_of(changed_spans(a, b)),
        changed_b=edges_of(changed_spans(b, a)),
    )


def placed(*pieces: tuple[int, bytes], size: int = 512, fill: int = 0xFF) -> bytes:
    data = bytearray([fill]) * size
    for address, piece in pieces:
        data[address : address + len(piece)] = piece
    return bytes(data)


@pytest.mark.parametrize("fill", [0x00, 0xFF])
@pytest.mark.parametrize("length", [16, 17, 21])
def test_block_that_moved_is_found_with_its_exact_length(fill: int, length: int) -> None:
    piece = TEXT[:length]
    found = moved(placed((0x20, piece), fill=fill), placed((0x123, piece), fill=fill))
    assert found == (MovedBlock(a_start=0x20, b_start=0x123, length=length),)


def test_fifteen_bytes_are_no_block() -> None:
    assert moved(placed((0x20, TEXT[:15])), placed((0x123, TEXT[:15]))) == ()


def test_copy_that_stood_there_all_the_time_did_not_move() -> None:
    # The old text at 0x20 was overwritten; its second copy at 0x100 was in both images.
    a = placed((0x20, TEXT), (0x100, TEXT))
    b = placed((0x20, TEXT[::-1]), (0x100, TEXT))
    assert moved(a, b) == ()


def test_text_that_was_written_elsewhere_beside_its_own_old_copy_is_found() -> None:
    a = placed((0x20, TEXT), (0x100, TEXT))
    b = placed((0x100, TEXT), (0x180, TEXT))
    assert moved(a, b) == (MovedBlock(a_start=0x20, b_start=0x180, length=len(TEXT)),)


@pytest.mark.parametrize("filler", [b"\xff", b"\x00", b"\xaa\x55", b"\x01\x02\x03\x04", b" "])
def test_filler_is_no_block(filler: bytes) -> None:
    run = filler * (64 // len(filler))
    assert moved(placed((0x20, run), fill=0x77), placed((0x120, run), fill=0x66)) == ()


def test_ends_that_are_equal_in_place_by_chance_belong_to_the_block() -> None:
    # The other text has the same first and last letters, so these bytes do not differ.
    other = TEXT[:3] + TEXT[-4:2:-1] + TEXT[-3:]
    found = moved(placed((0x20, TEXT)), placed((0x20, other), (0x100, TEXT)))
    assert found == (MovedBlock(a_start=0x20, b_start=0x100, length=len(TEXT)),)


def test_filler_at_the_ends_of_a_block_is_not_counted() -> None:
    run = b"\xff" * 30 + TEXT + b"\xff" * 30
    found = moved(placed((0x20, run), fill=0x77), placed((0x120, run), fill=0x66))
    assert found == (MovedBlock(a_start=0x20 + 30, b_start=0x120 + 30, length=len(TEXT)),)


def test_fifteen_bytes_with_filler_around_them_are_no_block() -> None:
    run = b"\xff" * 30 + TEXT[:15] + b"\xff" * 30
    assert moved(placed((0x20, run), fill=0x77), placed((0x120, run), fill=0x66)) == ()


def test_block_does_not_grow_back_into_the_one_before_it() -> None:
    one, two = random.Random(1).randbytes(24), random.Random(2).randbytes(24)
    a = placed((0x20, one + two), fill=0x77)
    b = placed((0x100, one), (0x140, one[-10:] + two), fill=0x66)
    assert moved(a, b) == (
        MovedBlock(a_start=0x20, b_start=0x100, length=24),
        MovedBlock(a_start=0x38, b_start=0x14A, length=24),
    )


def test_whole_image_that_slipped_by_one_byte_is_one_block() -> None:
    data = random.Random(7).randbytes(2000)
    assert moved(data, b"\x00" + data[:-1]) == (MovedBlock(a_start=0, b_start=1, length=1999),)


@pytest.mark.parametrize("shift", [1, 4, 300])
@pytest.mark.parametrize("fill", [0x00, 0xFF])
def test_image_that_slipped_is_one_block_over_its_erased_parts_too(shift: int, fill: int) -> None:
    rng = random.Random(shift + fill)
    pieces = [(500 + 400 * turn, b"\x01" + rng.randbytes(60) + b"\x02") for turn in range(8)]
    a = placed(*pieces, size=4096, fill=fill)
    b = placed(*((place + shift, piece) for place, piece in pieces), size=4096, fill=fill)
    assert moved(a, b) == (MovedBlock(a_start=500, b_start=500 + shift, length=7 * 400 + 62),)


def test_repeated_content_that_slipped_is_found_to_its_end() -> None:
    # A table stands there 200 times, which is more than the places that are tried for a block.
    table = random.Random(8).randbytes(200)
    a = table * 200
    b = bytearray(b"\x00" * 40 + a[:-40])
    for place in range(900, len(b), 1000):
        b[place] ^= 0x5A
    found = sum(block.length for block in moved(a, bytes(b)))
    assert found > 0.9 * len(a)


def test_unchanged_bytes_beside_a_block_did_not_move() -> None:
    # A second copy of what follows the block was there, behind its new place, in both images.
    rng = random.Random(5)
    old, piece, rest = rng.randbytes(32), rng.randbytes(32), rng.randbytes(100)
    a = placed((0x20, piece + rest), (0x120, old + rest), fill=0x00)
    b = placed((0x20, old + rest), (0x120, piece + rest), fill=0x00)
    for here, there in ((0x20, 0x120), (0x120, 0x20)):
        (block,) = [block for block in moved(a, b) if block.a_start == here]
        assert block.b_start == there
        assert 32 <= block.length < 32 + SHORTEST


def test_unchanged_bytes_in_another_block_are_not_taken_twice() -> None:
    one, two, three = (random.Random(seed).randbytes(40) for seed in range(3))
    gap = b"\xff" * 64
    # The gap behind the first block is the same in both; at its new place two others stand in it.
    a = placed((0x00, one + gap + two), (0x100, three), fill=0xFF)
    b = placed((0x100, one), (0x130, three), (0x168, two), fill=0xFF)
    blocks = moved(a, b)
    assert [(block.a_start, block.b_start, block.length) for block in blocks] == [
        (0x00, 0x100, 40),
        (0x68, 0x168, 40),
        (0x100, 0x130, 40),
    ]


def test_filler_around_a_block_leaves_it_its_sixteen_bytes() -> None:
    # Unchanged zeros before and behind make a run with the block's own, which alone is no filler.
    piece = b"\x00\x00\x00" + TEXT[:10] + b"\x00\x00\x00"
    a = placed((0x30, piece), size=256, fill=0x00)
    b = placed((0xB0, piece), size=256, fill=0x00)
    assert moved(a, b) == ()
    (block,) = moved(placed((0x30, TEXT[:16]), fill=0x00), placed((0xB0, TEXT[:16]), fill=0x00))
    assert (block.a_start, block.length) == (0x30, 16)


def test_two_blocks_that_changed_places_are_two_blocks() -> None:
    one, two = random.Random(1).randbytes(32), random.Random(2).randbytes(32)
    assert moved(one + two, two + one) == (
        MovedBlock(a_start=0, b_start=32, length=32),
        MovedBlock(a_start=32, b_start=0, length=32),
    )


def test_longest_of_several_places_is_taken() -> None:
    a = placed((0x20, TEXT), fill=0x00)
    b = placed((0x80, TEXT[:17]), (0x100, TEXT), (0x180, TEXT[:18]), fill=0x00)
    assert moved(a, b) == (MovedBlock(a_start=0x20, b_start=0x100, length=len(TEXT)),)


def test_block_does_not_cross_a_gap_between_segments() -> None:
    # Ten bytes before the gap and ten behind it are two pieces, each too short.
    a = Image.from_pieces([(0, TEXT[:10]), (12, TEXT[10:20])])
    b = Image.from_bytes(placed((100, TEXT[:20]), size=200, fill=0x00))
    changed = [Span(0, 10), Span(12, 22)]
    assert (
        find_moved_blocks(a, b, changed_a=edges_of(changed), changed_b=edges_of([Span(90, 130)]))
        == ()
    )


def test_addresses_are_those_of_the_images_not_offsets() -> None:
    a = Image.from_pieces([(0x10, b"\x00" * 40), (0x8000, TEXT)])
    b = Image.from_pieces([(0x10, b"\x00" * 40), (0xF0000000, TEXT)])
    found = find_moved_blocks(
        a,
        b,
        changed_a=edges_of([Span(0x8000, 0x8000 + len(TEXT))]),
        changed_b=edges_of([Span(0xF0000000, 0xF0000000 + len(TEXT))]),
    )
    assert found == (MovedBlock(a_start=0x8000, b_start=0xF0000000, length=len(TEXT)),)


@settings(max_examples=150, deadline=None)
@given(CONTENT, CONTENT)
def test_every_block_is_true_and_no_byte_belongs_to_two(a: bytes, b: bytes) -> None:
    places_a: set[int] = set()
    places_b: set[int] = set()
    for block in moved(a, b):
        in_a = range(block.a_start, block.a_start + block.length)
        in_b = range(block.b_start, block.b_start + block.length)
        assert block.length >= SHORTEST
        assert block.a_start != block.b_start
        assert a[in_a.start : in_a.stop] == b[in_b.start : in_b.stop]
        assert len(a[in_a.start : in_a.stop]) == block.length
        assert len(set(a[in_a.start : in_a.stop])) > 2
        for data, other, places in ((a, b, in_a), (b, a, in_b)):
            changed = {
                place
                for span in changed_spans(data, other)
                for place in range(span.start, span.end)
            }
            for end in (places.start, places.stop - 1):
                assert changed & set(range(end - SHORTEST + 1, end + SHORTEST))
        assert not places_a & set(in_a)
        assert not places_b & set(in_b)
        places_a |= set(in_a)
        places_b |= set(in_b)


@settings(max_examples=60, deadline=None)
@given(
    st.binary(min_size=24, max_size=60).filter(lambda piece: len(set(piece)) > 16),
    st.integers(0, 180),
    st.integers(200, 400),
)
def test_any_planted_block_is_found(piece: bytes, here: int, there: int) -> None:
    # Constant ends of the piece may be taken for filler, so they are cut off beforehand.
    core = b"\x01\x02" + piece.strip(b"\xff") + b"\x03\x04"
    (block,) = moved(placed((here, core)), placed((there, core)))
    assert block.a_start <= here + 2
    assert block.b_start - block.a_start == there - here
    assert block.length >= len(core) - 4


@pytest.mark.parametrize("here", [(1 << 16) + step for step in range(-20, 5)])
def test_block_at_the_border_of_what_is_worked_on_at_a_time_is_found(here: int) -> None:
    # Contents by chance share nothing else that is so long.
    a, b = (bytearray(random.Random(seed).randbytes(3 << 16)) for seed in (here, here + 99))
    there = len(b) - 16
    b[there:] = a[here : here + 16]
    everything = edges_of([Span(0, len(a))])
    (block,) = find_moved_blocks(
        Image.from_bytes(bytes(a)),
        Image.from_bytes(bytes(b)),
        changed_a=everything,
        changed_b=everything,
    )
    # Neighbours may be equal by chance.
    assert block.a_start <= here
    assert block.b_start - block.a_start == there - here
    assert block.a_start + block.length >= here + 16


def test_search_ends_after_so_many_blocks() -> None:
    rng = random.Random(4)
    # Neighbours have other bytes at their ends, so that no block grows into the next one.
    ends = [bytes([turn % 251]) for turn in range(MOST_BLOCKS + 60)]
    pieces = [end + rng.randbytes(18) + end for end in ends]
    a, b = b"".join(pieces), b"".join(reversed(pieces))
    found = compare_images(Image.from_bytes(a), Image.from_bytes(b))
    assert [block.a_start for block in found.moved] == [20 * turn for turn in range(MOST_BLOCKS)]
    assert found.moved_until == 20 * MOST_BLOCKS
    fewer = compare_images(Image.from_bytes(a[:4000]), Image.from_bytes(b[-4000:]))
    assert len(fewer.moved) == 200
    assert fewer.moved_until is None
