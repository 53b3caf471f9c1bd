"""Images: segments of defined bytes, their digest, and edits."""

from __future__ import annotations

import hashlib
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from memtool.core.image import Image
from memtool.core.span import Span

contents = st.dictionaries(st.integers(0, 120), st.integers(0, 255), max_size=60)
"""Address to byte: the slow, obvious form of an image."""


def image_of(content: dict[int, int]) -> Image:
    return Image.from_pieces((address, bytes([value])) for address, value in content.items())


def content_of(image: Image) -> dict[int, int]:
    return {
        segment.start + offset: value
        for segment in image.segments
        for offset, value in enumerate(segment.data)
    }


@given(contents)
def test_image_holds_what_was_put_in(content: dict[int, int]) -> None:
    image = image_of(content)
    assert content_of(image) == content
    assert image.size == len(content)
    assert all(a.end < b.start for a, b in zip(image.spans, image.spans[1:], strict=False))


def test_overlapping_pieces_are_the_callers_mistake() -> None:
    with pytest.raises(ValueError, match="overlap"):
        Image.from_pieces([(0, b"ab"), (1, b"b")])
    with pytest.raises(ValueError, match="negative"):
        Image.from_pieces([(-1, b"a")])


def test_digest_of_one_segment_is_that_of_its_bytes() -> None:
    data = bytes(range(256))
    assert Image.from_bytes(data, base=0x8000).sha256() == hashlib.sha256(data).hexdigest()
    assert Image.from_bytes(b"").sha256() == hashlib.sha256(b"").hexdigest()


def test_a_files_digest_is_that_of_its_bytes_alone() -> None:
    data = b"a file of one segment"
    known = "0" * 64
    image = Image.from_bytes(data, base=7)
    image.know_digest(data, known)
    assert image.sha256() == known
    # Equal bytes of another file, a file that holds them and more, and bytes with a gap.
    others = (
        Image.from_bytes(bytes(bytearray(data))),
        Image.from_bytes(data[2:]),
        Image.from_pieces([(0, data), (len(data) + 1, data)]),
    )
    for other in others:
        before = Image(other.segments).sha256()
        other.know_digest(data, known)
        assert other.sha256() == before


@pytest.mark.parametrize("size", [1, 4096, 100_001])
def test_equal_images_have_one_hash_and_unlike_ones_are_told_apart(size: int) -> None:
    data = bytes(size)
    image, same = (Image.from_bytes(bytes(bytearray(data)), base=1) for _ in range(2))
    assert hash(image) == hash(same)
    changed = [image.with_bytes([(1 + place, b"x")]) for place in {0, size // 2, size - 1}]
    assert len({image, same, Image.from_bytes(data), *changed}) == 2 + len(changed)


def test_digest_of_several_segments_counts_their_places() -> None:
    image = Image.from_pieces([(0, b"ab"), (0x10001000, b"c")])
    expected = hashlib.sha256(
        struct.pack(">QQ", 0, 2) + b"ab" + struct.pack(">QQ", 0x10001000, 1) + b"c"
    )
    assert image.sha256() == expected.hexdigest()


@given(contents, st.integers(0, 120), st.integers(1, 10))
def test_read_gives_defined_bytes_alone(content: dict[int, int], start: int, length: int) -> None:
    image, span = image_of(content), Span(start, start + length)
    if all(address in content for address in range(start, start + length)):
        assert image.covers(span)
        assert image.read(span) == bytes(content[a] for a in range(start, start + length))
    else:
        assert not image.covers(span)
        with pytest.raises(ValueError, match="not wholly defined"):
            image.read(span)


@given(contents, st.data())
def test_edits_change_what_they_name(content: dict[int, int], data: st.DataObject) -> None:
    image = image_of(content)
    if not content:
        assert image.with_bytes([]) == image
        return
    address = data.draw(st.sampled_from(sorted(content)))
    edited = image.with_bytes([(address, b"\x5a")])
    assert content_of(edited) == {**content, address: 0x5A}
    missing = max(content) + 1
    with pytest.raises(ValueError, match="undefined"):
        image.with_bytes([(missing, b"\x00")])


@given(contents, st.integers(0, 100), st.integers(1, 30))
def test_fill_defines_what_was_not(content: dict[int, int], start: int, length: int) -> None:
    span = range(start, start + length)
    filled = image_of(content).filled(Span(start, start + length), 0xEE)
    assert content_of(filled) == {**dict.fromkeys(span, 0xEE), **content}


@given(contents, st.integers(0, 100), st.integers(1, 30))
def test_selection_is_the_part_inside(content: dict[int, int], start: int, length: int) -> None:
    part = image_of(content).select([Span(start, start + length)])
    assert content_of(part) == {a: v for a, v in content.items() if start <= a < start + length}


def test_memory_grows_with_data_and_not_with_distance() -> None:
    image = Image.from_pieces([(0, b"a"), (2**40, b"b")])
    assert image.size == 2
    assert image.extent == Span(0, 2**40 + 1)


@given(st.lists(st.integers(0, 30), unique=True), st.integers(0, 30), st.integers(1, 12))
def test_segments_in_a_span_are_those_that_share_an_address_with_it(
    defined: list[int], start: int, length: int
) -> None:
    image = Image.from_pieces((address, bytes([address])) for address in defined)
    span = Span(start, start + length)
    wanted = tuple(segment for segment in image.segments if segment.span.overlaps(span))
    assert image.segments_in(span) == wanted
