"""Laws of reading and writing, over images and files nobody thought of."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from memtool.core.image import Image
from memtool.errors import ImageFormatError
from memtool.formats.codec import ImageFormat, ParsedImage, encode_image, parse_image
from memtool.formats.intel_hex import INTEL_HEX
from memtool.formats.s_record import S_RECORD
from tests.formats.hex_lines import END, ihex, ihex_file, srec, srec_file, text
from tests.formats.reading_ways import read_in_blocks, records_by_lines, records_in_a_block

HEX_FORMATS = [ImageFormat.INTEL_HEX, ImageFormat.S_RECORD]
ADDRESSES = st.one_of(
    st.integers(0, 0x30000),
    st.integers(0xFFFF00, 0x1000100),
    st.integers(0xFFFFFE00, 0xFFFFFF00),
)


@st.composite
def images(draw: st.DrawFn) -> Image:
    """One to five pieces, near the limits of 16, 24 and 32 bits of address too."""
    pieces: list[tuple[int, bytes]] = []
    used = 0
    for start in sorted(draw(st.lists(ADDRESSES, min_size=1, max_size=5, unique=True))):
        data = draw(st.binary(min_size=1, max_size=200))
        if start >= used:
            pieces.append((start, data))
            used = start + len(data)
    return Image.from_pieces(pieces)


@pytest.mark.parametrize("format", HEX_FORMATS)
@settings(max_examples=80, deadline=None)
@given(image=images(), record_length=st.integers(1, 250))
def test_written_file_reads_back_as_the_same_image_without_a_finding(
    format: ImageFormat, image: Image, record_length: int
) -> None:
    parsed = parse_image(encode_image(image, format, record_length=record_length))
    assert parsed.image == image
    assert parsed.format is format
    assert parsed.findings == ()


@settings(max_examples=80, deadline=None)
@given(data=st.binary(min_size=1, max_size=500), base=st.integers(0, 1 << 33))
def test_raw_file_reads_back_as_the_same_image(data: bytes, base: int) -> None:
    image = Image.from_bytes(data, base=base)
    written = encode_image(image, ImageFormat.RAW)
    assert parse_image(written, format=ImageFormat.RAW, base=base).image == image


@settings(max_examples=80, deadline=None)
@given(image=images(), length=st.integers(1, 250))
def test_whole_file_reader_and_line_reader_agree_on_intel_hex(image: Image, length: int) -> None:
    pieces = [(segment.start, segment.data) for segment in image.segments]
    data = ihex_file(pieces, length=length)
    assert parse_image(data).image == image
    for each in (data, data.replace(b"\n", b"\r\n"), data.replace(b"\n", b"\n\n")):
        assert records_in_a_block(INTEL_HEX, each) == records_by_lines(INTEL_HEX, each)


@settings(max_examples=80, deadline=None)
@given(image=images(), length=st.integers(1, 250))
def test_whole_file_reader_and_line_reader_agree_on_s_records(image: Image, length: int) -> None:
    pieces = [(segment.start, segment.data) for segment in image.segments]
    data = srec_file(pieces, length=length)
    assert parse_image(data).image == image
    for each in (data, data.replace(b"\n", b"\r\n"), data.replace(b"\n", b"\n\n")):
        assert records_in_a_block(S_RECORD, each) == records_by_lines(S_RECORD, each)


def outcome(data: bytes, **options: Any) -> ParsedImage | ImageFormatError:
    """What reading gives, or the one error that it may raise."""
    try:
        return parse_image(data, **options)
    except ImageFormatError as error:
        return error


@settings(max_examples=300, deadline=None)
@given(data=st.binary(max_size=300), format=st.sampled_from([None, *ImageFormat]))
@example(data=b":", format=None)
@example(data=b"S", format=ImageFormat.S_RECORD)
def test_no_bytes_raise_anything_but_a_format_error(
    data: bytes, format: ImageFormat | None
) -> None:
    found = outcome(data, format=format)
    if isinstance(found, ImageFormatError):
        assert found.fault_count >= 1
        assert len(found.faults) == min(found.fault_count, 20)
    else:
        assert found.image.size >= 1


LINES = st.lists(
    st.one_of(
        st.builds(ihex, st.integers(0, 7), st.integers(0, 0xFFFF), st.binary(max_size=6)),
        st.builds(
            srec,
            st.sampled_from([0, 1, 2, 3, 5, 6, 7, 8, 9]),
            st.integers(0, 0xFFFF),
            st.binary(max_size=6),
        ),
        st.sampled_from([END, "", " ", ":", "S", "S1", "S903"]),
        st.text(alphabet=":S0123456789ABCDEFabcdef \t\r\x00\x1a\u00e9", max_size=30),
    ),
    max_size=8,
)


@pytest.mark.parametrize("format", [None, *HEX_FORMATS])
@settings(max_examples=200, deadline=None)
@given(lines=LINES, overlap_last=st.booleans(), accept=st.booleans())
def test_no_lines_raise_anything_but_a_format_error(
    format: ImageFormat | None, lines: list[str], overlap_last: bool, accept: bool
) -> None:
    data = text(*lines)
    found = outcome(data, format=format, overlap_last=overlap_last, accept_missing_end=accept)
    if isinstance(found, ImageFormatError):
        assert found.fault_count >= 1
        assert found.code == found.faults[0].code
    elif found.format is not ImageFormat.RAW:
        # What was accepted can be written, and then reads the same.
        again = parse_image(encode_image(found.image, found.format))
        assert again.image == found.image


def told(found: ParsedImage | ImageFormatError) -> object:
    """All that reading says, to compare."""
    if isinstance(found, ParsedImage):
        return found
    return found.faults, found.fault_count, found.next_step


@settings(max_examples=400, deadline=None)
@given(
    lines=LINES,
    end=st.sampled_from([END, END[:-1], srec(9, 0), srec(7, 0).lower(), ""]),
    line_end=st.sampled_from(["\n", "\r\n", "\n\n"]),
    size=st.sampled_from([20, 60, 1 << 19]),
    format=st.sampled_from(HEX_FORMATS),
    options=st.fixed_dictionaries({"overlap_last": st.booleans()}),
)
def test_in_blocks_and_by_lines_a_file_is_read_alike(
    lines: list[str],
    end: str,
    line_end: str,
    size: int,
    format: ImageFormat,
    options: dict[str, bool],
) -> None:
    data = text(*lines, end=line_end) + end.encode()
    by_lines = outcome(data, format=format, **options)
    with pytest.MonkeyPatch.context() as patch:
        read_in_blocks(patch, size)
        in_blocks = outcome(data, format=format, **options)
    assert told(in_blocks) == told(by_lines)


@settings(max_examples=150, deadline=None)
@given(data=st.data(), seed=images())
@pytest.mark.parametrize("format", HEX_FORMATS)
def test_one_changed_digit_is_always_noticed(
    format: ImageFormat, data: st.DataObject, seed: Image
) -> None:
    written = bytearray(encode_image(seed, format))
    places = [place for place, byte in enumerate(written) if byte in b"0123456789ABCDEF"]
    place = data.draw(st.sampled_from(places))
    other = data.draw(st.sampled_from(b"0123456789ABCDEF".replace(bytes([written[place]]), b"")))
    written[place] = other
    found = outcome(bytes(written), format=format)
    # The type digit of an S-record is in no checksum: an S0 that became an empty S1 changes
    # nothing, and a data record of another type that stands alone gets a warning.
    if not isinstance(found, ImageFormatError):
        assert format is ImageFormat.S_RECORD
        codes = {item.code for item in found.findings}
        assert found.image == seed or codes & {"mixed-types", "end-type"}


@pytest.mark.parametrize("format", HEX_FORMATS)
@settings(max_examples=80, deadline=None)
@given(image=images(), cut=st.integers(2, 2000))
def test_file_cut_short_anywhere_is_refused(format: ImageFormat, image: Image, cut: int) -> None:
    written = encode_image(image, format)
    found = outcome(written[: -min(cut, len(written))], format=format)
    assert isinstance(found, ImageFormatError)


@pytest.mark.parametrize("format", [None, *ImageFormat])
def test_image_that_a_format_cannot_hold_is_the_callers_mistake(
    format: ImageFormat | None,
) -> None:
    two = Image.from_pieces([(0, b"a"), (9, b"b")])
    far = Image.from_bytes(b"ab", base=0xFFFFFFFF)
    if format is None:
        with pytest.raises(ValueError, match="negative"):
            parse_image(b"\x00", base=-1)
    elif format is ImageFormat.RAW:
        with pytest.raises(ValueError, match="one segment"):
            encode_image(two, format)
    else:
        for length in (0, 256):
            with pytest.raises(ValueError, match="record length"):
                encode_image(two, format, record_length=length)
        with pytest.raises(ValueError, match="4 GiB"):
            encode_image(far, format)
    if format is not None:
        with pytest.raises(ValueError, match=r"without data|one segment"):
            encode_image(Image(()), format)
